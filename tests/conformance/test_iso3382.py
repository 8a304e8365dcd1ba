"""ISO 3382-1 and ISO 3382-2: decays, their lines, and when they must be refused.

Checked against closed forms (noise with an exponential envelope), against pyrato (an independent
implementation by the Institute for Hearing Technology and Acoustics, Aachen) and against two
measured rooms whose reverberation times the package `acoustics` publishes.
"""

from __future__ import annotations

import math
import warnings

import numpy as np
import numpy.typing as npt
import pytest
import soundfile

from tests.material import outside, packages
from vocheck.dsp.decay import analyse_decay, curve_of, find_onset
from vocheck.dsp.octaves import band_filter, bands
from vocheck.dsp.sweep import PRE_S, deconvolve, exponential_sweep

Signal = npt.NDArray[np.float64]

RATE_HZ = 48_000
PRE_ROLL_S = 0.2


def response(
    t60_s: float, range_db: float, rng: np.random.Generator, rate_hz: int = RATE_HZ
) -> Signal:
    """Return noise that decays by 60 dB in `t60_s`, its start `range_db` over steady noise."""
    count = int(max(0.7, 2.0 * t60_s) * rate_hz)
    decay = rng.standard_normal(count) * 10.0 ** (-3.0 * np.arange(count) / rate_hz / t60_s)
    h = np.concatenate((np.zeros(int(PRE_ROLL_S * rate_hz)), decay))
    return h + rng.standard_normal(len(h)) * 10.0 ** (-range_db / 20.0)


def times(t60_s: float, range_db: float, runs: int, seed: int) -> dict[str, list[float]]:
    """Return what `analyse_decay` says of the full band, numbers only."""
    rng = np.random.default_rng(seed)
    found: dict[str, list[float]] = {"edt_s": [], "t20_s": [], "t30_s": []}
    for _ in range(runs):
        decay = analyse_decay(response(t60_s, range_db, rng), RATE_HZ)
        for name, values in found.items():
            if (value := getattr(decay, name)) is not None:
                values.append(value)
    return found


@pytest.mark.parametrize("t60_s", [0.1, 0.2, 0.4, 0.8, 1.5])
@pytest.mark.parametrize("range_db", [30.0, 35.0, 40.0, 50.0, 70.0])
def test_t20_of_an_exponential_decay_is_right_down_to_30_db(t60_s: float, range_db: float) -> None:
    """Closed form: T20 is unbiased within 3 % (the standard error of 25 runs is below 0.7 %)."""
    found = times(t60_s, range_db, runs=25, seed=20)["t20_s"]
    assert len(found) >= 23  # the range is itself estimated: one or two runs may be refused
    assert np.mean(found) == pytest.approx(t60_s, rel=0.03)


@pytest.mark.parametrize("t60_s", [0.1, 0.2, 0.4, 0.8, 1.5])
@pytest.mark.parametrize("range_db", [40.0, 50.0, 70.0])
def test_t30_of_an_exponential_decay_is_right_down_to_40_db(t60_s: float, range_db: float) -> None:
    """Closed form: T30 is unbiased within 1 % (standard error of 40 runs: 0.25 %, T = 0.1 s)."""
    found = times(t60_s, range_db, runs=40, seed=30)["t30_s"]
    assert len(found) >= 36
    assert np.mean(found) == pytest.approx(t60_s, rel=0.01)


def test_a_decay_of_50_ms_is_still_measured() -> None:
    """Closed form: half the decay of a dry booth; 4 % because one run scatters by 3 %."""
    found = times(0.05, 50.0, runs=25, seed=5)
    assert np.mean(found["t20_s"]) == pytest.approx(0.05, rel=0.04)
    assert np.mean(found["t30_s"]) == pytest.approx(0.05, rel=0.04)


@pytest.mark.parametrize("t60_s", [0.05, 0.1, 0.3, 0.8, 1.5])
@pytest.mark.parametrize(
    ("range_db", "refused"),
    [(5.0, "edt_s"), (10.0, "edt_s"), (10.0, "t20_s"), (20.0, "t20_s"), (26.0, "t20_s"),
     (26.0, "t30_s"), (36.0, "t30_s")],
)  # fmt: skip
def test_no_number_is_given_where_the_range_is_short(
    t60_s: float, range_db: float, refused: str
) -> None:
    """Closed form: below its range a number is refused in every case, with a reason in words."""
    rng = np.random.default_rng(7)
    for _ in range(15):
        decay = analyse_decay(response(t60_s, range_db, rng), RATE_HZ)
        assert getattr(decay, refused) is None
        assert " " in decay.reasons[refused]


@pytest.mark.parametrize("centre_hz", [500.0, 1000.0, 2000.0, 4000.0])
@pytest.mark.parametrize("t60_s", [0.2, 0.6])
def test_octave_bands_are_unbiased_where_the_filter_allows(centre_hz: float, t60_s: float) -> None:
    """Closed form, B*T from 70 on; 6 %: three standard errors of 16 runs at 500 Hz."""
    (band,) = bands(1, centre_hz, centre_hz)
    rng = np.random.default_rng(int(centre_hz))
    decays = [analyse_decay(response(t60_s, 60.0, rng), RATE_HZ, band) for _ in range(16)]
    assert np.mean([decay.t20_s for decay in decays]) == pytest.approx(t60_s, rel=0.06)
    assert np.mean([decay.t30_s for decay in decays]) == pytest.approx(t60_s, rel=0.06)


def test_a_decay_as_short_as_the_filter_is_filtered_backwards_or_refused() -> None:
    """ISO 3382-2, 7.3: B*T of 9 needs the reversed filter, below 4 there is no number."""
    rng = np.random.default_rng(9)
    h = response(0.1, 70.0, rng)
    (low,) = bands(1, 125.0, 125.0)  # B = 89 Hz: B*T = 8.9
    assert analyse_decay(h, RATE_HZ, low).reversed_filter
    (lowest,) = bands(1, 31.5, 31.5)  # B = 22 Hz: B*T = 2.2
    decay = analyse_decay(h, RATE_HZ, lowest)
    assert decay.t20_s is None
    assert "ringing of the band filter" in decay.reasons["t20_s"]


def test_clarity_definition_and_centre_time_of_an_exponential_decay() -> None:
    """Closed forms of exp(-13.8 t / T): C50, D50 and Ts; three standard errors of 20 runs."""
    t60_s = 0.5
    (band,) = bands(1, 1000.0, 1000.0)
    rng = np.random.default_rng(50)
    decays = [analyse_decay(response(t60_s, 60.0, rng), RATE_HZ, band) for _ in range(20)]
    rate = 6.0 * math.log(10.0) / t60_s
    early = 1.0 - math.exp(-rate * 0.05)
    clarity = 10.0 * math.log10(early / (1.0 - early))
    assert np.mean([decay.c50_db for decay in decays]) == pytest.approx(clarity, abs=0.8)
    assert np.mean([decay.d50 for decay in decays]) == pytest.approx(early, abs=0.03)
    assert np.mean([decay.ts_s for decay in decays]) == pytest.approx(1.0 / rate, rel=0.06)


def test_the_onset_is_the_first_sample_within_20_db_of_the_peak() -> None:
    """ISO 3382-1, A.3.4, closed form."""
    h = np.zeros(1000)
    h[300], h[310], h[320] = 0.09, -0.11, 1.0
    assert find_onset(h) == 310


def test_a_record_that_ends_before_its_decay_is_followed_to_its_end() -> None:
    """Closed form: a noise-free decay cut at 45 dB; 4 %: one standard error is 1 %."""
    rng = np.random.default_rng(45)
    t60_s = 0.6
    cut = [
        response(t60_s, 150.0, rng)[: int((PRE_ROLL_S + 0.75 * t60_s) * RATE_HZ)] for _ in range(8)
    ]
    decays = [analyse_decay(h, RATE_HZ) for h in cut]
    assert np.mean([decay.t20_s for decay in decays]) == pytest.approx(t60_s, rel=0.04)
    assert all(decay.range_db is not None and decay.range_db < 46.0 for decay in decays)


def test_silence_and_a_single_click_give_reasons_and_no_numbers() -> None:
    """Degenerate responses are refused in words."""
    for h in (np.zeros(4800), np.eye(1, 4800, 100)[0], np.ones(4800)):
        decay = analyse_decay(h, RATE_HZ)
        assert decay.t20_s is None
        assert decay.reasons["t20_s"]


def pyrato_times(h: Signal, rate_hz: int, curve: str) -> dict[str, float]:
    """Return T20 and T30 by pyrato of a response that starts at its onset."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of pyrato and pyfar: not ours to fix
        import pyfar
        import pyrato

        signal = pyfar.Signal(h, rate_hz)
        edc = getattr(pyrato.edc, curve)(signal)
        edc = edc / float(np.nanmax(edc.time))  # the Schroeder curve is left unnormalised there
        regression = pyrato.parameters.reverberation_time_linear_regression
        return {name: float(np.squeeze(regression(edc, name))) for name in ("T20", "T30")}


@pytest.mark.parametrize("t60_s", [0.1, 0.3, 0.8, 1.5])
def test_noise_free_responses_agree_with_pyrato(t60_s: float) -> None:
    """Independent implementation: same Schroeder curve, same lines, within 0.5 %."""
    rng = np.random.default_rng(int(1000 * t60_s))
    h = response(t60_s, 400.0, rng)[int(PRE_ROLL_S * RATE_HZ) :]
    for band in (None, *bands(1, 1000.0, 4000.0)):
        filtered = h if band is None else band_filter(h, RATE_HZ, band)
        theirs = pyrato_times(filtered, RATE_HZ, "schroeder_integration")
        curve = curve_of(filtered**2, RATE_HZ)
        assert curve is not None
        for name, lower in (("T20", -25.0), ("T30", -35.0)):
            line = curve.line(-5.0, lower)
            assert line is not None
            assert line.time_s == pytest.approx(theirs[name], rel=0.005)


@pytest.mark.parametrize("range_db", [40.0, 50.0, 60.0])
def test_noisy_responses_agree_with_pyrato(range_db: float) -> None:
    """Independent implementation of Lundeby and Chu: 2 %, its knees are chosen differently."""
    rng = np.random.default_rng(int(range_db))
    ours, theirs = [], []
    for _ in range(4):
        h = response(0.8, range_db, rng)[int(PRE_ROLL_S * RATE_HZ) :]
        theirs.append(pyrato_times(h, RATE_HZ, "energy_decay_curve_chu_lundeby")["T20"])
        ours.append(analyse_decay(h, RATE_HZ).t20_s)
    assert np.mean(ours) == pytest.approx(np.mean(theirs), rel=0.02)


@pytest.mark.outside
def test_measured_living_room_reads_as_in_two_other_programs() -> None:
    """T20 and T30 of the tests of acoustics 0.2.6 within 5 %, of pyrato within 1 %.

    Their filters are not ours; pyrato gets ours. The two rows of the source do not agree: its T20
    is half of its T30 and less, and its own tests hold both to 1.5 s only. That is no fault of
    either: the microphone stood near, and the direct sound, which all three programs keep here,
    makes the first 25 dB steep. So neither row is the reverberation time of the room; both say that
    the same lines are laid through the same curve. The 63 Hz octave is left out: its decay stands
    39 dB out of the noise, which is not enough.
    """
    h, rate_hz = soundfile.read(room("living_room_1.wav"))
    h = h - h.mean()
    rows = {
        "t20_s": (0.365, 0.151, 0.156, 0.102, 0.076, 0.146, 0.152),
        "t30_s": (0.365, 0.303, 0.259, 0.227, 0.211, 0.204, 0.181),
    }
    for i, band in enumerate(bands(1, 125.0, 8000.0)):
        decay = analyse_decay(h, rate_hz, band, keep_direct=True)
        filtered = band_filter(h, rate_hz, band)[find_onset(h) :]
        theirs = pyrato_times(filtered, rate_hz, "energy_decay_curve_chu_lundeby")
        for name, row in rows.items():
            ours = getattr(decay, name)
            assert ours == pytest.approx(row[i], rel=0.05), (name, band.nominal_hz)
            assert ours == pytest.approx(theirs[name[:3].upper()], rel=0.01), (
                name,
                band.nominal_hz,
            )


@pytest.mark.outside
def test_without_its_direct_sound_the_living_room_decays_evenly() -> None:
    """T20 and T30 then differ by a quarter at most from 250 Hz up; with it T30 is twice T20."""
    h, rate_hz = soundfile.read(room("living_room_1.wav"))
    for band in bands(1, 250.0, 2000.0):
        decay = analyse_decay(h - h.mean(), rate_hz, band)
        assert decay.direct_removed
        assert decay.t20_s == pytest.approx(decay.t30_s, rel=0.25), band.nominal_hz
        bent = analyse_decay(h - h.mean(), rate_hz, band, keep_direct=True)
        assert bent.t30_s > 1.5 * bent.t20_s


@pytest.mark.outside
def test_measured_living_room_has_the_clarity_of_another_program() -> None:
    """Octave C50 of the tests of acoustics 0.2.6, rounded to 1 dB there."""
    h, rate_hz = soundfile.read(room("living_room_1.wav"))
    rounded = (18.0, 23.0, 26.0, 30.0, 31.0, 27.0, 29.0)
    for band, c50_db in zip(bands(1, 125.0, 8000.0), rounded, strict=True):
        decay = analyse_decay(h - h.mean(), rate_hz, band, keep_direct=True)
        assert decay.c50_db == pytest.approx(c50_db, abs=1.0), band.nominal_hz


@pytest.mark.outside
def test_measured_sports_centre_reads_as_in_another_program() -> None:
    """T30 and EDT of the tests of acoustics 0.2.6 from 500 Hz up, 4 %: the noise stays in theirs.

    Their values at 125 and 250 Hz (7.4 and 8.5 s) are biased upwards by it; ours lie below.
    """
    h, rate_hz = soundfile.read(room("ir_sportscentre_omni.wav"))
    t30 = {500.0: 6.795, 1000.0: 6.518, 2000.0: 4.797, 4000.0: 4.089}
    edt = {500.0: 6.007, 1000.0: 5.941, 2000.0: 5.038, 4000.0: 3.735}
    for band in bands(1, 500.0, 4000.0):
        decay = analyse_decay(h, rate_hz, band, keep_direct=True)
        assert decay.t30_s == pytest.approx(t30[band.nominal_hz], rel=0.04)
        assert decay.edt_s == pytest.approx(edt[band.nominal_hz], rel=0.06)
    for band in bands(1, 125.0, 250.0):
        decay = analyse_decay(h, rate_hz, band, keep_direct=True)
        assert decay.t30_s is not None
        assert decay.t30_s < {125.0: 7.388, 250.0: 8.472}[band.nominal_hz]


def room(name: str) -> str:
    """Return the path of one of the measured rooms, fetched where needed."""
    return str(outside.fetch(packages.ACOUSTICS) / "acoustics-0.2.6" / "tests" / "data" / name)


def test_a_sweep_comes_back_as_the_response_it_went_through() -> None:
    """Closed form: sweep * response, deconvolved, is the response (band-limited) to 0.5 %."""
    from scipy.signal import fftconvolve

    rng = np.random.default_rng(11)
    t60_s = 0.4
    true = rng.standard_normal(RATE_HZ) * 10.0 ** (-3.0 * np.arange(RATE_HZ) / RATE_HZ / t60_s)
    sweep = exponential_sweep(RATE_HZ, 3.0)
    lead = RATE_HZ // 2
    recorded = fftconvolve(np.concatenate((np.zeros(lead), sweep, np.zeros(RATE_HZ))), true)
    found = deconvolve(recorded, sweep, RATE_HZ)
    start = round(PRE_S * RATE_HZ) + lead
    for band in bands(1, 125.0, 8000.0):
        a = band_filter(found[start : start + RATE_HZ // 2], RATE_HZ, band)
        b = band_filter(true[: RATE_HZ // 2], RATE_HZ, band)
        assert float(a @ b / (b @ b)) == pytest.approx(1.0, abs=0.005)
        assert float(np.sum((a - b) ** 2) / (b @ b)) < 1e-3


def test_a_loudspeaker_that_distorts_does_not_spoil_the_decay() -> None:
    """Farina 2000: harmonics of the sweep fall before the response; T30 keeps within 3 %."""
    from scipy.signal import fftconvolve

    rng = np.random.default_rng(12)
    t60_s = 0.3
    true = rng.standard_normal(RATE_HZ) * 10.0 ** (-3.0 * np.arange(RATE_HZ) / RATE_HZ / t60_s)
    sweep = exponential_sweep(RATE_HZ, 5.0)
    played = np.concatenate((np.zeros(RATE_HZ), sweep, np.zeros(RATE_HZ)))
    played = played + 0.3 * played**2 + 0.3 * played**3  # 4 % and 0.5 % of distortion
    found = deconvolve(fftconvolve(played, true), sweep, RATE_HZ)
    start = round((PRE_S + 0.8) * RATE_HZ)
    (band,) = bands(1, 2000.0, 2000.0)
    truth = analyse_decay(np.concatenate((np.zeros(9600), true)), RATE_HZ, band)
    assert truth.t30_s is not None
    assert analyse_decay(found[start:], RATE_HZ, band).t30_s == pytest.approx(truth.t30_s, rel=0.03)
