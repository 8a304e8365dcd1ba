"""What the edit needs of chosen takes: a timeline, a rough assembly, lines against the picture.

==================  ================================================================
`timecode`          frames, their labels and the rates of SMPTE timecode
`plan`              which stretches of which recordings: the best take, the path, the others
`joins`             where in a pause two takes are joined
`layout`            where they stand in a timeline
`assembly`          the same to be heard: joined, equally loud, with room tone between
`picture`           cuts and places of a picture: EDL, OTIO, captions
`slots`             whether each line fits its place
`fades`, `roomtone`, `stretches`
                    what an assembly is made of
==================  ================================================================
"""
