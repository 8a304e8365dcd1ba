"""Constructed faults between channels, and word lengths.

Run as ``python -m tests.accuracy.channels``.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.accuracy.sections import write_section
from tests.material.carriers import TESTED_ON, carriers
from vocheck.measurements import format as measured
from vocheck.measurements.format import Format
from vocheck.recording import Recording

Array = np.ndarray
NOISE_DB = -50.0  # of the noise that each channel has for itself, re the voice


def late(x: Array, frames: int) -> Array:
    """Return `x` later by `frames` (negative: earlier), zeros moving in."""
    y = np.zeros_like(x)
    if frames >= 0:
        y[frames:] = x[: len(x) - frames]
    else:
        y[:frames] = x[-frames:]
    return y


def delayed(frames: int, gain: float = 0.8) -> Callable[[Array, Array, Array], Array]:
    """Return a maker of two channels, the second later by `frames`."""
    return lambda x, n1, n2: np.column_stack([x + n1, gain * late(x, frames) + n2])


CASES: dict[str, tuple[Callable[[Array, Array, Array], Array], Callable[[Format, int], bool]]] = {
    "the same twice": (
        lambda x, n1, _: np.column_stack([x + n1, x + n1]),
        lambda f, _: f.dual_mono and not f.inverted and f.dead_channels == (),
    ),
    "the same, 6 dB lower": (
        lambda x, n1, _: np.column_stack([x + n1, 0.5 * (x + n1)]),
        lambda f, _: f.dual_mono and not f.inverted,
    ),
    "two microphones in one place": (
        delayed(0),
        lambda f, _: not f.inverted and f.dead_channels == () and f.channel_delay_s == 0.0,
    ),
    "inverted": (
        lambda x, n1, n2: np.column_stack([x + n1, n2 - x]),
        lambda f, _: f.inverted and not f.dual_mono,
    ),
    "inverted and 33 samples late": (
        lambda x, n1, n2: np.column_stack([x + n1, n2 - 0.8 * late(x, 33)]),
        lambda f, rate: f.inverted and f.channel_delay_s == 33 / rate,
    ),
    "second channel digital silence": (
        lambda x, n1, _: np.column_stack([x + n1, 0 * x]),
        lambda f, _: f.dead_channels == (2,) and f.channel_delay_s is None,
    ),
    "first channel only noise": (
        lambda x, n1, n2: np.column_stack([n1, x + n2]),
        lambda f, _: f.dead_channels == (1,) and f.channel_delay_s is None,
    ),
    "12 samples late": (delayed(12), lambda f, rate: f.channel_delay_s == 12 / rate),
    "240 samples late": (delayed(240), lambda f, rate: f.channel_delay_s == 240 / rate),
    "240 samples early": (delayed(-240), lambda f, rate: f.channel_delay_s == -240 / rate),
}


def quantised(x: Array, bits: int) -> Array:
    """Return `x` rounded to a PCM word of `bits`."""
    step = 2.0 ** (1 - bits)
    return (np.rint(x / step) * step).astype(np.float32)


def main() -> None:
    """Measure and write the section."""
    lines = ["| case | right |", "|---|---|"]
    rng = np.random.default_rng(10)
    for name, (make, right) in CASES.items():
        good = 0
        for carrier in carriers():
            x = carrier.samples.astype(np.float64)
            level = np.sqrt(np.mean(x**2)) * 10 ** (NOISE_DB / 20)
            n1, n2 = level * rng.standard_normal((2, len(x)))
            stereo = make(x, n1, n2).astype(np.float32)
            good += right(measured.measure(Recording(stereo, carrier.rate)), carrier.rate)
        lines.append(f"| {name} | {good} of {len(carriers())} |")

    lines += ["", "| word length | read right |", "|---|---|"]
    for bits in (8, 12, 16, 20, 24):
        good = 0
        for carrier in carriers():
            noisy = carrier.samples + 1e-4 * rng.standard_normal(len(carrier.samples))
            x = quantised(0.9 * noisy, bits)
            good += measured.used_bits(x[:, np.newaxis]) == bits
        lines.append(f"| {bits} bits in 24 | {good} of {len(carriers())} |")
    for gain_db in (-3.1, -6.3, -9.7, -20.0, 2.9):
        good = 0
        gain = 10 ** (gain_db / 20)
        for carrier in carriers():
            x = quantised(gain * quantised(0.7 * carrier.samples, 16), 24)
            expected = round(16 - np.log2(gain))
            good += measured.used_bits(x[:, np.newaxis]) == expected
        name = f"16 bits, {gain_db:+.1f} dB, saved in 24 without dither"
        lines.append(f"| {name} | {good} of {len(carriers())} |")
    text = "\n".join(
        [
            *lines,
            "",
            f"Each channel has noise of its own, {-NOISE_DB:.0f} dB below the voice. A case counts"
            " as right only if everything is: the fault found, and no other one told. Delays must"
            " be right to the sample. Of a 16-bit recording with gain the expected word length is"
            " the nearest whole 16 - log2(gain).",
            "",
            TESTED_ON,
        ]
    )
    write_section("channels", "Channels and word length", text)


if __name__ == "__main__":
    main()
