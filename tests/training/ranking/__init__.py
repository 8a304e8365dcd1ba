"""Fit the weights of the ranking on what an outside judge says of takes with known faults.

``python -m tests.training.ranking`` makes takes of the development voices and lines with one fault
each and with several (`tests.material.faults`), asks PESQ (ITU-T P.862.2) about each, and fits the
weights that explain its answers from what vocheck measures. It rewrites the weights in
``vocheck/policy/ranking.toml`` whose source says that they are fitted, leaves the others, and sets
``undecided`` to what two faultless takes of a line differ by, 19 times of 20. It needs the
``judges`` and ``test`` extras, festival and espeak-ng; no GPU. The same arguments give the same
weights. The voices and lines of ``tests.accuracy.ranking`` are never looked at.
"""
