"""Tones that come and go, made here from closed forms."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from vocheck.dsp.moving_tones import RATE_HZ, find_moving_tones

SECONDS = 8.0
T = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
SPANS = tuple((start, start + 0.9) for start in np.arange(0.0, SECONDS, 1.0).tolist())
NOISE = np.random.default_rng(5).standard_normal(len(T)) * 1e-3


def chords(note_s: float = 0.4, seed: int = 2) -> npt.NDArray[np.float64]:
    """Return chords of three notes of the equal temperament, a new one every `note_s`."""
    rng = np.random.default_rng(seed)
    x = np.zeros(len(T))
    for start in np.arange(0.0, SECONDS, note_s):
        inside = (start <= T) & (start + note_s > T)
        for semitone in rng.choice(36, 3, replace=False):
            x[inside] += np.sin(2 * np.pi * 220.0 * 2.0 ** (semitone / 12.0) * T[inside])
    return x


def found(x: npt.NDArray[np.float64]) -> tuple[float, int]:
    tones = find_moving_tones(x.astype(np.float32), SPANS, 5000.0)
    assert tones.frames > 100
    return tones.fraction, tones.places


def test_chords_are_found():
    """A new chord every 0.4 s, 20 dB over the noise: in all moments but those of a change."""
    fraction, places = found(NOISE + 1e-2 * chords())
    assert fraction > 0.8
    # 60 notes drawn from 36, each between two bins.
    assert places > 15


def test_the_level_does_not_matter():
    """A gain changes nothing."""
    x = NOISE + 3e-3 * chords()
    assert found(x) == found(x * 2.0**-8)


def test_noise_has_none():
    """The power of noise in a bin exceeds 25 times its median once in 36 million (closed form)."""
    assert found(NOISE) == (0.0, 0)


def test_steady_tones_have_none():
    """Hum with its harmonics, and a whine, stay as they are."""
    hum = sum(np.sin(2 * np.pi * 50.0 * n * T + n * n) / n for n in range(1, 40))
    assert found(NOISE + 1e-2 * (hum + np.sin(2 * np.pi * 3150.0 * T)))[0] == 0.0


def test_tones_that_die_away_have_none():
    """Before each span a vowel stops; its harmonics fall by 60 dB in 1.5 s, as in a hall."""
    x = NOISE.copy()
    for i, (start_s, end_s) in enumerate(SPANS):
        inside = (start_s <= T) & (end_s > T)
        late = T[inside] - start_s
        for n in range(1, 20):
            pitch_hz = 110.0 + 5.0 * i
            x[inside] += 0.1 / n * np.sin(2 * np.pi * n * pitch_hz * late) * 10 ** (-2.0 * late)
    assert found(x)[0] == 0.0


def test_nothing_to_judge():
    """No span, a span too short, and digital silence: no frame was judged."""
    x = np.zeros(RATE_HZ, np.float32)
    for spans in ((), ((0.1, 0.2),), ((0.0, 1.0),)):
        assert find_moving_tones(x, spans, 5000.0).frames == 0
