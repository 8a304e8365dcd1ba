"""Fit the regressors of `vocheck.measurements.reverberation` on simulated rooms.

``python -m tests.training.reverberation --voices FOLDER`` makes the rooms and the takes, fits,
writes ``vocheck/measurements/reverberation.npz`` and ``docs/accuracy/reverberation.md``.
It needs the ``training`` and ``test`` extras, festival, flite and espeak-ng; no GPU. The same
arguments give the same coefficients.
"""
