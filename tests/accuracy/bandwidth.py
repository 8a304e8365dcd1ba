"""The bandwidth of resampled, lossy and untouched recordings.

Run as ``python -m tests.accuracy.bandwidth``.
"""

from __future__ import annotations

import io
from collections.abc import Iterable

import av
import numpy as np
import soundfile
import soxr

from tests.accuracy.sections import write_section
from tests.material import outside, packages
from tests.material.carriers import TESTED_ON, carriers
from tests.material.speech import Speech
from vocheck.measurements import tone
from vocheck.measurements.tone import Tone
from vocheck.recording import Recording

RATE = 48000
SOURCES_HZ = (8000, 11025, 16000, 22050, 32000)
CODECS = (("libmp3lame", 64), ("libmp3lame", 128), ("aac", 64), ("aac", 128), ("libopus", 32))
EDGE_WITHIN = 0.12  # of the true edge; a converter's own transition band reaches down to 0.89 of it
FOUND_DB = 20.0  # the drop from which the limits speak of an edge

PAIRS = {
    "Front_Center": "front-center", "Front_Left": "front-left", "Front_Right": "front-right",
    "Rear_Center": "rear-center", "Rear_Left": "rear-left", "Rear_Right": "rear-right",
    "Side_Left": "side-left", "Side_Right": "side-right",
}  # fmt: skip
"""The same eight words: lossless in alsa-utils, as Vorbis in sound-theme-freedesktop."""


def full_band() -> list[Speech]:
    """Return the carriers at 48 kHz in which nothing cuts the top off."""
    return [
        c for c in carriers() if c.rate == RATE and tone.measure(of(c)).bandwidth_hz == RATE / 2
    ]


def of(carrier: Speech) -> Recording:
    return Recording(carrier.samples, carrier.rate)


def upsampled(carrier: Speech, source_hz: int, quality: str) -> Recording:
    """Return a carrier that was once at `source_hz`, dithered to 16 bits."""
    low = soxr.resample(carrier.samples, carrier.rate, source_hz, quality)
    back = soxr.resample(low, source_hz, carrier.rate, quality)
    dither = np.random.default_rng(0).triangular(-1, 0, 1, len(back))
    return Recording((np.rint(back * 32768 + dither) / 32768).astype(np.float32), carrier.rate)


def coded(carrier: Speech, codec: str, kbps: int) -> Recording:
    """Return a carrier after a lossy codec and back."""
    name = {"libmp3lame": "mp3", "aac": "mp4", "libopus": "ogg"}[codec]
    buffer = io.BytesIO()
    with av.open(buffer, "w", format=name) as container:
        stream = container.add_stream(codec, rate=carrier.rate, layout="mono")
        stream.bit_rate = kbps * 1000
        frame = av.AudioFrame.from_ndarray(carrier.samples[np.newaxis], "fltp", "mono")
        frame.sample_rate = carrier.rate
        resampler = av.AudioResampler(
            format=stream.format.name,
            layout="mono",
            rate=carrier.rate,
            frame_size=stream.frame_size,
        )
        for part in [*resampler.resample(frame), *resampler.resample(None)]:
            container.mux(stream.encode(part))
        container.mux(stream.encode(None))
    buffer.seek(0)
    with av.open(buffer) as container:
        planar = av.AudioResampler(format="fltp", layout="mono", rate=carrier.rate)
        parts = [
            out.to_ndarray()[0]
            for frame in container.decode(audio=0)
            for out in planar.resample(frame)
        ]
    return Recording(np.concatenate(parts), carrier.rate)


def rolled_off(carrier: Speech, hz: float, order: int) -> Recording:
    """Return a carrier behind a gentle low-pass, as of a dull microphone."""
    from scipy.signal import butter, sosfilt

    y = sosfilt(butter(order, hz, fs=carrier.rate, output="sos"), carrier.samples)
    return Recording(y.astype(np.float32), carrier.rate)


def has_edge(result: Tone) -> bool:
    return (result.bandwidth_drop_db or 0.0) >= FOUND_DB


def row(name: str, results: Iterable[Tone], edge_hz: float | None = None) -> str:
    """Return a line of the table: how many have an edge, where it is, and how deep."""
    results = list(results)
    found = [r for r in results if has_edge(r)]
    edges = np.array([r.bandwidth_hz for r in found])
    drops = np.array([r.bandwidth_drop_db for r in found])
    where = depth = right = "–"
    if len(found):
        where = f"{edges.min() / 1000:.1f}–{edges.max() / 1000:.1f} kHz"
        depth = f"{drops.min():.0f}–{drops.max():.0f} dB"
    if edge_hz and len(found):
        right = f"{np.sum(np.abs(edges / edge_hz - 1) < EDGE_WITHIN)} of {len(found)}"
    return f"| {name} | {len(found)} of {len(results)} | {where} | {depth} | {right} |"


def main() -> None:
    """Measure and write the section."""
    clean = full_band()
    lines = ["| recording | edge found | at | drop | within 12 % |", "|---|---|---|---|---|"]
    for source_hz in SOURCES_HZ:
        for quality, word in (("HQ", "good"), ("LQ", "poor")):
            results = (tone.measure(upsampled(c, source_hz, quality)) for c in clean)
            name = f"was {source_hz / 1000:g} kHz, {word} converter"
            lines.append(row(name, results, source_hz / 2))
    for codec, kbps in CODECS:
        results = (tone.measure(coded(c, codec, kbps)) for c in clean)
        lines.append(row(f"{codec.removeprefix('lib')} {kbps} kbit/s", results))
    alsa = outside.fetch(packages.ALSA) / "usr/share/sounds/alsa"
    theme = outside.fetch(packages.THEME) / "usr/share/sounds/freedesktop/stereo"
    pairs = [
        (soundfile.read(alsa / f"{a}.wav"), soundfile.read(theme / f"audio-channel-{b}.oga"))
        for a, b in PAIRS.items()
    ]
    lossless, lossy = (
        [tone.measure(Recording(x, rate)) for x, rate in side] for side in zip(*pairs, strict=True)
    )
    lines.append(row("alsa-utils words, lossless", lossless))
    lines.append(row("the same words as Vorbis", lossy))
    for hz in (8000, 12000):
        for order in (1, 2):
            results = (tone.measure(rolled_off(c, hz, order)) for c in clean)
            lines.append(row(f"microphone roll-off, order {order} at {hz // 1000} kHz", results))
    for rate in (44100, 96000):
        results = (
            tone.measure(Recording(soxr.resample(c.samples, c.rate, rate), rate)) for c in clean
        )
        lines.append(
            row(f"full band, resampled to {rate / 1000:g} kHz", results, min(rate, RATE) / 2)
        )
    results = (tone.measure(of(c)) for c in carriers())
    lines.append(row("every carrier as it is", results))
    text = "\n".join(
        [
            *lines,
            "",
            f"An edge counts as found from {FOUND_DB:.0f} dB on, as the limits have it. Resampled"
            f" sources are dithered to 16 bits. {len(clean)} full-band recordings at 48 kHz carry"
            " the constructed cases. Of the carriers as they are, the ones with an edge have one:"
            " the book (7.5 kHz), the synthesised takes (32 and 22.05 kHz sources), the Irish words"
            " (11.6 kHz), and Vorbis files.",
            "",
            TESTED_ON,
        ]
    )
    write_section("bandwidth", "Bandwidth", text)


if __name__ == "__main__":
    main()
