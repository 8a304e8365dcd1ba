"""Fit what tells sibilants from other sounds, for `vocheck.measurements.sibilance`.

``python -m tests.training.sibilance --voices FOLDER`` makes takes of voices whose phones are known,
with the tone, noise, room and hiss of real ones, fits a linear discriminant of frames and small
networks over the runs of them, and writes ``vocheck/measurements/sibilance.npz``. The threshold is
chosen by leaving out one voice after the other, so that it leaves the same margin over the aims
(recall 0.93, precision 0.90). It needs the ``demo`` and ``test`` extras, festival
(``festvox-kallpc16k``, ``festvox-kdlpc16k``), flite and espeak-ng; no GPU. The same arguments give
the same coefficients. The voices and lines of ``tests.accuracy.sibilance`` are never looked at.
"""
