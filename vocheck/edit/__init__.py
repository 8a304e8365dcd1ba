"""What the edit needs of chosen takes: a timeline, a rough assembly, lines against the picture.

==================  ================================================================
`timecode`          frames, their labels and the rates of SMPTE timecode
`plan`              which stretches of which recordings: the best take, the path, the others
`layout`            where they stand in a timeline
==================  ================================================================
"""
