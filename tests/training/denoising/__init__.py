"""Fit what tells a denoised take from an untouched one, for `vocheck.measurements.denoising`.

``python -m tests.training.denoising --voices FOLDER`` joins sentences of real readers
(``SPEAKER_NUMBER.flac``, VCTK) and of synthetic voices, adds rooms and noises, treats half of the
takes (`tests.material.treatments.TRAINED_ON`), passes all of them through filters, gains and
codecs, and writes ``vocheck/measurements/denoising.npz``. It prints how much is found of readers
that a fit has not seen. The treatments of `LEFT_OUT`, and the readers of
``tests.accuracy.denoising``, are never looked at. Needs the ``test``, ``judges`` and ``training``
extras and a network; no GPU.
"""
