"""A candidate that is not shipped: small networks that tell a denoised take from an untouched one.

``python -m tests.training.denoising --voices FOLDER --out FILE.npz`` joins sentences of real
readers (``SPEAKER_NUMBER.flac``, VCTK) and of synthetic voices, adds rooms and noises, treats half
of the takes (`tests.material.treatments.TRAINED_ON`), passes all of them through filters, gains and
codecs, measures `traces`, and fits. It prints how much is found of readers that a fit has not
seen. ``python -m tests.training.denoising.judge FILE.npz`` then judges readers and treatments that
nothing was trained on. Both are seeded. They need the ``test``, ``judges`` and ``training`` extras
and the registries; no GPU.

What a first try reached (its networks were not made by this command, so that the numbers are an
impression; they have been thrown away):

- Readers of the same corpus that a fit had not seen, at the score that 2 % of their untouched takes
  exceed (0.70), noise lowered by 6 dB or more: RNNoise 98 %, stationary gating 91 %, a gate 96 %;
  of treatments left out, gating that is not stationary 92 %, GTCRN 76 %, DeepFilterNet 52 %.
- Readers of other sources score higher: 6 of 45 untouched takes of nine readers lay above 0.70,
  four above 0.90, none above 0.98; a synthetic voice reached 0.987. Fifty-odd readers of one corpus
  are too few.
- A limit of 0.99 was then set, after these scores had been seen. What is found at 0.99 was never
  measured.
- The traces cost 3.5 % of the time of a take.

To ship it: fit by this command, on readers of several sources; set the limit on some of them; judge
it on readers and treatments that neither has seen, and state what is found at that very limit.
"""
