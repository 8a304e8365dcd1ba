"""Leq(m): tones by closed form, from the table of ITU-R BS.468-4 and the reference level."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from vocheck.dsp.weighting import power_gain
from vocheck.mix import check_mix
from vocheck.mix.cinema import LeqMMeter
from vocheck.policy.delivery import forecast
from vocheck.policy.destinations import load_destinations
from vocheck.wording.delivery import limit_words, reason

RATE = 48000


def sine(hz: float, peak_dbfs: float, seconds: float, rate: int = RATE) -> np.ndarray:
    t = np.arange(round(seconds * rate)) / rate
    return (10.0 ** (peak_dbfs / 20.0) * np.sin(2.0 * np.pi * hz * t)).astype(np.float32)


def leq_m(samples: np.ndarray, rate: int = RATE, layout: tuple[str, ...] | None = None) -> float:
    planes = samples.reshape(len(samples), -1)
    meter = LeqMMeter(rate, planes.shape[1], layout)
    meter.feed(planes)
    return meter.result(len(planes) / rate)


# ITU-R BS.468-4, Table 1: frequency, response, tolerance; M is 5.6 dB below it (ISO 21727).
TABLE = [
    (100.0, -19.8, 1.0),
    (400.0, -7.8, 0.7),
    (1000.0, 0.0, 0.5),
    (2000.0, 5.6, 0.5),
    (3150.0, 9.0, 0.5),
    (6300.0, 12.2, 0.05),
    (8000.0, 11.4, 0.4),
    (12500.0, 0.0, 1.2),
    (16000.0, -11.7, 1.6),
]


@pytest.mark.parametrize(("hz", "table_db", "tolerance"), TABLE)
def test_a_tone_at_the_reference_level(hz: float, table_db: float, tolerance: float) -> None:
    """SMPTE RP 200: a sine of -20 dBFS in one screen channel is 85 dB before the weighting."""
    assert leq_m(sine(hz, -20.0, 3.0)) == pytest.approx(85.0 + table_db - 5.6, abs=tolerance)


@pytest.mark.parametrize(("hz", "level"), [(1000.0, 99.4), (2000.0, 105.0)])
@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_full_scale_at_any_rate(hz: float, level: float, rate: int) -> None:
    """0 dBFS is 105 dB at 2 kHz, and 5.6 dB less at 1 kHz (Table 1: 0 dB); 0.1 of the network."""
    assert leq_m(sine(hz, 0.0, 2.0, rate), rate) == pytest.approx(level, abs=0.1)


def test_powers_of_the_channels_are_added() -> None:
    """Two screen channels are 3.01 dB louder than one, in phase or not."""
    one = sine(2000.0, -20.0, 2.0)
    both = leq_m(np.stack([one, -one], axis=1))
    assert both == pytest.approx(leq_m(one) + 3.01, abs=0.01)


@pytest.mark.parametrize(
    ("channel", "hz", "extra"), [("FC", 2000.0, 0.0), ("BL", 2000.0, -3.0), ("LFE", 100.0, 10.0)]
)
def test_each_loudspeaker_has_its_level(channel: str, hz: float, extra: float) -> None:
    """SMPTE RP 200, from memory: surrounds 82 dB(C), low-frequency effects 10 dB up."""
    layout = ("FL", "FR", "FC", "LFE", "BL", "BR")
    samples = np.zeros((2 * RATE, 6), np.float32)
    samples[:, layout.index(channel)] = sine(hz, -20.0, 2.0)
    alone = leq_m(sine(hz, -20.0, 2.0))
    assert leq_m(samples, layout=layout) == pytest.approx(alone + extra, abs=0.01)


def test_every_sample_counts_once() -> None:
    """Bursts of noise: the same as one transform of the whole signal, however it is cut."""
    rng = np.random.default_rng(21727)
    samples = rng.normal(0.0, 0.1, 7 * RATE + 1234).astype(np.float32)
    samples *= (np.arange(len(samples)) // 9000 % 3 == 0).astype(np.float32)
    spectrum = np.abs(np.fft.rfft(samples.astype(np.float64))) ** 2
    weighted = spectrum * power_gain("M", np.fft.rfftfreq(len(samples), 1.0 / RATE))
    mean_square = 2.0 * weighted.sum() / len(samples) ** 2
    expected = 105.0 + 10.0 * np.log10(mean_square / 0.5)
    whole = leq_m(samples)
    assert whole == pytest.approx(expected, abs=0.01)
    meter = LeqMMeter(RATE, 1)
    for start in range(0, len(samples), 7777):
        meter.feed(samples[start : start + 7777, np.newaxis])
    assert meter.result(len(samples) / RATE) == pytest.approx(whole, abs=1e-6)


def write(path: Path, *parts: np.ndarray) -> Path:
    samples = np.concatenate(parts)
    sf.write(path, np.stack([samples, samples], axis=1), RATE, subtype="PCM_24")
    return path


def test_from_the_first_to_the_last_sound(tmp_path: Path) -> None:
    """Silence at the ends does not make a mix softer; silence between its sounds does."""
    tone, silence = sine(2000.0, -26.0, 2.0), np.zeros(2 * RATE, np.float32)
    levels = []
    for number, parts in enumerate([(tone,), (silence, tone, silence), (tone, silence, tone)]):
        path = write(tmp_path / f"{number}.wav", *parts)
        levels.append(check_mix(path, ["cinema-ad"]).measurements.leq_m_db)
    # Closed form: 85 - 6 + 3.01 for two channels; a third of the time is 1.76 dB.
    assert levels == pytest.approx([82.0, 82.0, 82.0 - 1.76], abs=0.1)


@pytest.mark.parametrize(
    ("peak_dbfs", "advert", "trailer"),
    [(-26.0, "pass", "pass"), (-24.0, "fail", "pass"), (-22.0, "fail", "fail")],
)
def test_adverts_and_trailers(tmp_path: Path, peak_dbfs: float, advert: str, trailer: str) -> None:
    """82 dB Leq(m) for adverts (SAWA), 85 dB for trailers (TASA), in whole dB."""
    path = write(tmp_path / "spot.wav", sine(2000.0, peak_dbfs, 3.0))
    result = check_mix(path, ["cinema-ad", "cinema-trailer"])
    assert [destination.verdict for destination in result.destinations] == [advert, trailer]
    (check,) = result.destinations[0].checks
    assert limit_words(check) == "at most 82 dB Leq(m)"
    assert "ISO 2969" in reason(check)
    if advert == "fail":  # 85 dB at -20 dBFS, and 3.01 for two channels
        down = math.ceil(85.0 + 20.0 + peak_dbfs + 3.01 - 82.0)
        assert f"Turn the mix down by {down} dB." in reason(check)


def test_only_where_it_is_asked_for(tmp_path: Path) -> None:
    """Other destinations cost nothing; a take alone cannot be judged by it."""
    path = write(tmp_path / "spot.wav", sine(2000.0, -26.0, 1.0))
    result = check_mix(path, ["ebu-short"])
    assert result.measurements.leq_m_db is None
    assert result.not_measured["leq_m_db"] == "no destination asks for it"
    take = forecast(load_destinations()["cinema-ad"], -20.0, -3.0, -70.0)
    assert take.verdict == "warn"
    assert [check.verdict for check in take.checks] == ["cannot tell"]


def test_silence_has_no_level(tmp_path: Path) -> None:
    """What is silent is not called ready."""
    path = write(tmp_path / "silence.wav", np.zeros(RATE, np.float32))
    result = check_mix(path, ["cinema-ad"])
    assert result.not_measured["leq_m_db"] == "silence"
    assert result.destinations[0].verdict == "warn"
