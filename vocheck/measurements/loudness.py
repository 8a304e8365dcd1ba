"""Loudness to ITU-R BS.1770 (first version: see the next)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vocheck.dsp.kweighting import BlockFilter, channel_weights, k_weighting_sections
from vocheck.recording import Recording
from vocheck.results import Group


@dataclass(frozen=True, kw_only=True)
class Loudness(Group):
    """Loudness of a recording."""

    integrated_lufs: float | None
    momentary_max_lufs: float | None
    momentary_max_s: float | None
    short_term_max_lufs: float | None
    short_term_max_s: float | None
    range_lu: float | None
    two_speakers_lufs: float | None


def measure(recording: Recording) -> Loudness:
    """Measure the loudness of a recording."""
    samples, rate = recording.samples, recording.rate
    none: dict[str, float | None] = dict.fromkeys(
        (
            *("integrated_lufs", "momentary_max_lufs", "momentary_max_s", "short_term_max_lufs"),
            *("short_term_max_s", "range_lu", "two_speakers_lufs"),
        )
    )
    frames, channels = samples.shape
    edges = np.round(np.arange(int(frames / rate * 100) + 2) * rate / 100).astype(int)
    edges = edges[edges <= frames]
    if len(edges) < 41 or channels == 0:
        return Loudness(**none, not_measured=dict.fromkeys(none, "shorter than 0.4 s"))
    weights = channel_weights(channels, recording.source.layout)
    y = BlockFilter(k_weighting_sections(rate), channels)(
        np.ascontiguousarray(samples.T, dtype=np.float32)
    )
    squares = weights @ np.square(y[:, : edges[-1]], dtype=np.float64)
    energy = np.add.reduceat(squares, edges[:-1])
    total = np.concatenate(([0.0], np.cumsum(energy)))
    momentary = np.maximum(total[40:] - total[:-40], 0) / (edges[40:] - edges[:-40])
    gated = momentary[::10]
    gated = gated[gated > 10 ** ((-70 + 0.691) / 10)]
    if len(gated):
        gated = gated[gated > gated.mean() / 10]
        none["integrated_lufs"] = _lufs(float(gated.mean()))
        none["two_speakers_lufs"] = none["integrated_lufs"] + 10 * math.log10(3 - min(channels, 2))
    none["momentary_max_lufs"] = _lufs(float(momentary.max()))
    none["momentary_max_s"] = float(edges[int(momentary.argmax())] / rate + 0.2)
    if len(edges) > 300:
        short = np.maximum(total[300:] - total[:-300], 0) / (edges[300:] - edges[:-300])
        none["short_term_max_lufs"] = _lufs(float(short.max()))
        none["short_term_max_s"] = float(edges[int(short.argmax())] / rate + 1.5)
    reasons = {name: "not measured yet" for name, value in none.items() if value is None}
    return Loudness(**none, not_measured=reasons)


def _lufs(power: float) -> float:
    return -0.691 + 10 * math.log10(power) if power > 0 else -math.inf
