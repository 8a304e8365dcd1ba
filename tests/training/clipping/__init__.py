"""Fit what tells that the peaks of a voice end at a ceiling, behind codecs, low cuts and more.

``python -m tests.training.clipping --voices FOLDER`` joins sentences of real readers
(``SPEAKER_NUMBER.flac``, VCTK), adds rooms, compressors and noises, clips, limits or drives some of
the takes, passes all of them through low cuts, codecs, changes of tone, phase or rate, and fits
`vocheck.voice.ceiling`. It prints what is found of readers that a fit has not seen. FFmpeg's
limiter, Vorbis and readers of other sources are kept for `tests.accuracy.clipping`.
"""
