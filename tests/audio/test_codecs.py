"""Codecs there and back: what comes out resembles what went in, in any cut."""

from __future__ import annotations

import numpy as np
import pytest

from vocheck.audio.codecs import CODECS, Coding, RoundTrip, parse_codings
from vocheck.errors import TargetError


def through(coding: Coding, samples: np.ndarray, rate: int, block: int = 50_000) -> np.ndarray:
    trip = RoundTrip(coding, rate, samples.shape[1])
    pieces = [
        piece
        for start in range(0, len(samples), block)
        for piece in trip.feed(samples[start : start + block])
    ]
    return np.concatenate([*pieces, *trip.finish()])


def music(rate: int, channels: int, seconds: float = 3.0) -> np.ndarray:
    """Return chords with noise, different in each channel: programme rather than a test tone."""
    rng = np.random.default_rng(2)
    time = np.arange(round(seconds * rate)) / rate
    shape = (len(time), channels)
    chord = sum(np.sin(2 * np.pi * f * time) for f in (220, 277, 330, 440))
    return 0.1 * chord[:, None] + 0.02 * rng.standard_normal(shape)


@pytest.mark.parametrize("rate", [8000, 37800, 44100, 48000, 192000])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("codec", CODECS)
def test_level_survives(codec: str, channels: int, rate: int) -> None:
    """The decoded sound is as loud and as long as the original, at any rate."""
    if codec == "mulaw" and channels == 2:
        with pytest.raises(TargetError, match="one channel only"):
            RoundTrip(Coding(codec, 64), rate, channels)
        return
    samples = music(rate, channels)
    trip = RoundTrip(Coding(codec, 128), rate, channels)
    decoded = through(Coding(codec, 128), samples, rate)
    assert decoded.shape[1] == channels
    # an encoder pads by up to a few frames of 1024 to 2048
    assert len(decoded) / trip.rate_hz == pytest.approx(3.0, abs=0.4)
    middle = decoded[len(decoded) // 4 : len(decoded) // 2]
    # LAME lowers the level by 0.45 dB; a codec of 8 kHz drops the noise above 4 kHz
    change = 10 * np.log10(np.mean(middle**2) / np.mean(samples**2))
    assert change == pytest.approx(0.0, abs=1.0)


def test_the_cut_does_not_matter() -> None:
    """Blocks of any size give the same decoded sound."""
    samples = music(48000, 2, 1.0)
    whole = through(Coding("aac", 128), samples, 48000, 1_000_000)
    pieces = through(Coding("aac", 128), samples, 48000, 777)
    np.testing.assert_array_equal(whole, pieces)


def test_decoders_do_not_clip() -> None:
    """What comes back above full scale is seen: that is what the prediction is for."""
    clipped = np.clip(np.random.default_rng(1).standard_normal((96000, 2)), -0.99, 0.99)
    for codec in ("aac", "mp3", "opus"):
        assert np.abs(through(Coding(codec, 64), clipped, 48000)).max() > 1.0, codec


def test_surround() -> None:
    """AAC takes 5.1; MP3 and Opus are tried with two channels at most, and say so."""
    assert through(Coding("aac", 256), music(48000, 6, 1.0), 48000).shape[1] == 6
    for codec in ("mp3", "opus"):
        with pytest.raises(TargetError, match="up to 2 channels"):
            RoundTrip(Coding(codec, 128), 48000, 6)


def test_parsing() -> None:
    """Codecs are named as in ``aac:128,opus:96``."""
    assert parse_codings("aac:128, OPUS:96") == (Coding("aac", 128), Coding("opus", 96))
    assert parse_codings("") == ()
    assert str(Coding("aac", 128)) == "FFmpeg's AAC at 128 kb/s"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("atrac:128", "unknown codec 'atrac'; known are aac, mp3, opus"),
        ("aac", "wants a bit rate"),
        ("aac:fast", "wants a bit rate"),
        ("aac:4", "wants a bit rate"),
        ("aac:9999", "wants a bit rate"),
    ],
)
def test_parsing_errors(text: str, message: str) -> None:
    """An unknown codec or rate is told in one line."""
    with pytest.raises(TargetError, match=message):
        parse_codings(text)
