"""Rooms whose bands, and positions whose facts, are made by hand: what is said of them is known."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from vocheck import room
from vocheck.dsp.octaves import bands
from vocheck.errors import AudioError
from vocheck.policy.every import Policy
from vocheck.recording import Recording
from vocheck.room import RoomBand, RoomResult, measure_room, positions
from vocheck.room import bands as room_bands
from vocheck.room.positions import PositionsResult, compare_positions
from vocheck.room.results import Notice, Response
from vocheck.wording.room import comparison_name, remarks

RATE_HZ = 48_000
NOTHING = Recording(np.random.default_rng(0).standard_normal(4800), RATE_HZ)


def band(centre_hz: float, t20_s: float | None = 0.3, **more: Any) -> RoomBand:
    """Return one band of a room; without a T20 it is not valid."""
    base: dict[str, Any] = {
        "centre_hz": centre_hz, "edt_s": 0.28, "t20_s": t20_s, "t30_s": 0.31, "c50_db": 12.0,
        "d50": 0.9, "ts_s": 0.02, "dynamic_range_db": 50.0, "valid": t20_s is not None,
        "reason": None if t20_s is not None else "the decay is too short", "responses": 3,
        "t20_spread_s": 0.03, "scatter_s": 0.02, "nonlinearity_permille": 1.0,
        "curvature_percent": 1.0, "notices": (), "not_measured": {}, "decay_db": (0.0,),
        "decay_step_s": 0.01,
    }  # fmt: skip
    return RoomBand(**{**base, **more})


def response(onset_s: float = 1.0, peak_to_noise_db: float = 60.0) -> SimpleNamespace:
    facts = Response(
        path=None, onset_s=onset_s, peak_to_noise_db=peak_to_noise_db, overloaded=False
    )
    return SimpleNamespace(facts=facts)


OCTAVES_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch):
    """Return how to measure a room whose bands and responses are given."""

    def measure(
        changed: dict[float, RoomBand] | None = None,
        responses: tuple[SimpleNamespace, ...] = (response(), response(2.5), response(4.0)),
        **options: Any,
    ) -> RoomResult:
        kind = "impulse" if responses else "room tone"
        monkeypatch.setattr(room, "kind_of", lambda *_: kind)
        monkeypatch.setattr(room, "cut_responses", lambda *_: list(responses))
        monkeypatch.setattr(room, "measure_noise", lambda *_: (None, {"noise": "not recorded"}))
        monkeypatch.setattr(
            room,
            "measure_band",
            lambda wanted, _: (changed or {}).get(wanted.nominal_hz, band(wanted.nominal_hz)),
        )
        return measure_room(NOTHING, **{"policy": Policy(), **options})

    return measure


def test_the_middle_of_the_room_is_the_mean_of_two_octaves(measured):
    """ISO 3382-1, clause 9: 500 Hz and 1 kHz; nothing else counts."""
    result = measured(
        {500.0: band(500.0, 0.2, c50_db=10.0), 1000.0: band(1000.0, 0.5, c50_db=13.0)}
    )
    assert result.mid_t_s == pytest.approx(0.35)
    assert result.mid_c50_db == pytest.approx(11.5)
    # of a mean of two independent numbers: sqrt(0.02^2 + 0.02^2) / 2
    assert result.mid_scatter_s == pytest.approx(0.02 / math.sqrt(2))
    assert result.mid_spread_s == pytest.approx(0.03 / math.sqrt(2))
    assert result.voice_t_s == pytest.approx((0.2 + 0.5 + 0.3) / 3)
    assert result.voice_bands_hz == (500.0, 1000.0, 2000.0)
    assert [b.centre_hz for b in result.bands] == list(OCTAVES_HZ)
    assert result.excitation == "impulse"
    assert (result.onset_s, result.peak_to_noise_db) == (1.0, 60.0)


def test_without_a_policy_the_shipped_one_counts(measured):
    """An array lies in no folder."""
    assert measured(policy=None) == measured()


def test_a_scatter_that_is_not_known_adds_nothing(measured):
    """Of two octaves one says how far it scatters."""
    result = measured({500.0: band(500.0, scatter_s=None)})
    assert result.mid_scatter_s == pytest.approx(0.01)


def test_a_room_is_called_what_it_is_up_to_and_with_its_border(measured):
    """Each word holds up to its own number, that one included."""
    for row in Policy().character.values():
        if math.isfinite(row.up_to_s):
            at = measured({hz: band(hz, row.up_to_s) for hz in OCTAVES_HZ})
            beyond = measured({hz: band(hz, row.up_to_s * 1.01) for hz in OCTAVES_HZ})
            assert at.character == row.words
            assert beyond.character != row.words


def test_third_octaves_have_six_in_the_middle(measured):
    """400 Hz to 1250 Hz."""
    times = {400.0: 0.1, 500.0: 0.2, 630.0: 0.3, 800.0: 0.4, 1000.0: 0.5, 1250.0: 0.6}
    result = measured({hz: band(hz, t) for hz, t in times.items()}, fraction=3)
    assert result.mid_t_s == pytest.approx(0.35)
    assert result.mid_scatter_s == pytest.approx(0.02 / math.sqrt(6))


def test_a_middle_that_lacks_a_band_is_not_given(measured):
    """And the band says why; the bands of the voice that are there still have a mean."""
    result = measured({500.0: band(500.0, None)})
    assert result.mid_t_s is result.mid_c50_db is result.mid_scatter_s is None
    assert result.not_measured["mid_t_s"] == "at 500 Hz the decay is too short"
    assert result.voice_t_s == pytest.approx(0.3)
    assert result.voice_bands_hz == (1000.0, 2000.0)
    assert result.character is not None
    nothing = measured({hz: band(hz, None) for hz in OCTAVES_HZ})
    assert nothing.voice_t_s is None
    assert "no band of the voice" in nothing.not_measured["voice_t_s"]
    assert nothing.character is None
    assert nothing.comparisons == ()
    assert nothing.findings == () or all(f.name for f in nothing.findings)


def test_room_tone_holds_no_decay(measured):
    """It says what to do."""
    result = measured(responses=())
    assert result.bands == ()
    assert result.mid_t_s is result.voice_t_s is result.onset_s is result.peak_to_noise_db is None
    assert "clap, or play a sweep" in result.not_measured["mid_t_s"]
    assert result.not_measured["bands"] == result.not_measured["mid_t_s"]
    assert "voice_t_s" not in result.not_measured
    assert result.excitation == "room tone"
    assert remarks(result) == []


def test_a_spread_needs_two_responses_in_every_band(measured):
    """With one clap there is none to tell; with several the band that has one says so."""
    alone = {hz: band(hz, t20_spread_s=None, responses=1) for hz in OCTAVES_HZ}
    one = measured(alone, responses=(response(),))
    assert one.mid_spread_s is None
    assert "mid_spread_s" not in one.not_measured
    three = measured({500.0: band(500.0, t20_spread_s=None)})
    assert three.mid_spread_s is None
    assert three.not_measured["mid_spread_s"] == "only one response carries it"


@pytest.mark.parametrize(
    ("count", "words"), [(1, "One response only"), (2, "Two responses only"), (3, None)]
)
def test_few_responses_ask_for_more(measured, count: int, words: str | None):
    """Three are enough; where nothing was measured more of the same would not help."""
    result = measured(responses=tuple(response(float(n)) for n in range(count)))
    told = [remark for remark in remarks(result) if "three or more" in remark]
    assert [remark.partition(":")[0] for remark in told] == ([words] if words else [])
    bad = measured({hz: band(hz, None) for hz in OCTAVES_HZ}, responses=(response(),))
    assert not [remark for remark in remarks(bad) if "three or more" in remark]


def test_a_near_microphone_is_told_once(measured):
    """Whichever band shows the direct sound."""
    near = band(1000.0, notices=(Notice(kind="direct sound removed"),))
    result = measured({1000.0: near, 500.0: replace(near, centre_hz=500.0)})
    assert sum("nearer to the source" in remark for remark in remarks(result)) == 1
    assert not [r for r in remarks(measured()) if "nearer" in r]


def test_the_peak_over_the_noise_is_the_median_of_all(measured):
    """One bad clap does not decide; the first tells where it starts."""
    result = measured(
        responses=tuple(
            response(at, level) for at, level in ((0.7, 30.0), (2.0, 60.0), (3.5, 62.0))
        )
    )
    assert result.peak_to_noise_db == 60.0
    assert result.onset_s == 0.7


def test_a_room_is_laid_beside_rooms_with_a_published_range(measured):
    """Shorter, within and longer, at the borders too; a formula needs the volume."""
    rows = Policy().compare
    ranged = {row.title: row.range_s(None) for row in rows.values() if row.range_s(None)}
    assert ranged
    for title, (low, high) in ranged.items():
        for t_s, verdict in (
            (low - 1e-6, "shorter"), (low, "within"), (high, "within"), (high + 1e-6, "longer"),
        ):  # fmt: skip
            result = measured({hz: band(hz, t_s) for hz in OCTAVES_HZ})
            found = next(c for c in result.comparisons if c.title == title)
            assert (found.verdict, found.low_s, found.high_s) == (verdict, low, high)
    assert len(measured().comparisons) == len(ranged)
    sized = measured(volume_m3=60.0).comparisons
    assert len(sized) == len(rows)
    for found in sized:
        by_formula = found.title not in ranged
        assert found.volume_m3 == (60.0 if by_formula else None)
        name = f"{found.title} of 60 m3" if by_formula else found.title
        assert comparison_name(found) == name


def test_the_drier_a_room_the_milder_its_findings(measured):
    """Along falling reverberation times no finding becomes worse, and the words change."""
    grades = {None: 0, "note": 1, "fixable": 2, "retake": 3}
    seen, words = [], []
    for t_s in (2.0, 1.0, 0.6, 0.4, 0.25, 0.15, 0.08):
        result = measured({hz: band(hz, t_s) for hz in OCTAVES_HZ})
        about = [f for f in result.findings if f.fact == "mid_t_s" or f.fact == "voice_t_s"]
        seen.append(max((grades[f.severity] for f in about), default=0))
        words.append(result.character)
    assert seen == sorted(seen, reverse=True)
    assert seen[0] > seen[-1] == 0
    assert len(set(words)) >= 3


# -- One band over several responses --------------------------------------------------------------


def decay(t20_s: float | None = 0.3, **more: Any) -> SimpleNamespace:
    base: dict[str, Any] = {
        "edt_s": 0.28, "t20_s": t20_s, "t30_s": 0.31, "c50_db": 12.0, "d50": 0.9, "ts_s": 0.02,
        "nonlinearity_permille": 1.0, "curvature_percent": 1.0, "range_db": 60.0, "reasons": {},
        "reversed_filter": False, "direct_removed": False, "curve": None,
    }  # fmt: skip
    return SimpleNamespace(**{**base, **more})


def averaged(
    monkeypatch: pytest.MonkeyPatch, *decays: SimpleNamespace, centre: float = 1000.0
) -> RoomBand:
    """Return the band of responses with these decays."""
    waiting = iter(decays)
    monkeypatch.setattr(room_bands, "analyse_decay", lambda *_: next(waiting))
    (octave,) = (b for b in bands(1, 500.0, 2000.0) if b.nominal_hz == centre)
    some = [SimpleNamespace(h=None, rate_hz=RATE_HZ) for _ in decays]
    return room_bands.measure_band(octave, some)


@pytest.mark.parametrize(("count", "t_s"), [(1, 0.3), (3, 0.3), (4, 0.1)])
def test_claps_scatter_as_iso_3382_2_predicts(monkeypatch, count: int, t_s: float):
    """0.88 T sqrt((1 + 1.90/10) / (B T)) of one (clause 7.1, from memory), sqrt(N) less of N.

    The octave of 1 kHz is 10^0.15 - 10^-0.15 of it wide (IEC 61260-1).
    """
    found = averaged(monkeypatch, *[decay(t_s)] * count)
    width_hz = 1000.0 * (10**0.15 - 10**-0.15)
    expected = 0.88 * math.sqrt(1.19 / (width_hz * t_s)) * t_s / math.sqrt(count)
    assert found.scatter_s == pytest.approx(expected, rel=1e-3)


def test_a_band_is_the_mean_of_the_responses_that_carry_it(monkeypatch):
    """Arithmetic means (ISO 3382-2, clause 8), the spread with N - 1; the best gives the curve."""
    curve = SimpleNamespace(levels_db=np.linspace(0.0, -60.0, 601), range_db=50.0, rate_hz=1000)
    poor = decay(None, t30_s=None, c50_db=6.0, range_db=20.0, reasons={"t20_s": "too soft"})
    best = decay(0.4, c50_db=12.0, range_db=70.0, curve=curve)
    found = averaged(monkeypatch, decay(0.2, t30_s=None, c50_db=9.0, range_db=50.0), best, poor)
    assert found.t20_s == pytest.approx(0.3)
    assert found.t30_s == pytest.approx(0.31)
    assert found.c50_db == pytest.approx(9.0)
    assert found.t20_spread_s == pytest.approx(math.sqrt(0.02))
    assert (found.responses, found.valid, found.reason) == (2, True, None)
    assert found.dynamic_range_db == 70.0
    assert found.not_measured == {}
    assert found.decay_step_s == pytest.approx(0.004)  # 501 points down to -50 dB, every fourth
    assert found.decay_db[0] == 0.0
    assert found.decay_db[1] == pytest.approx(-0.4)
    assert len(found.decay_db) == 126
    alone = averaged(monkeypatch, decay(0.2))
    assert alone.t20_spread_s is None
    assert (alone.decay_step_s, alone.decay_db) == (None, ())
    short = SimpleNamespace(levels_db=np.array([0.0, -5.0]), range_db=50.0, rate_hz=1000)
    assert averaged(monkeypatch, decay(curve=short)).decay_db == (0.0, -5.0)


def test_a_band_without_a_decay_says_why(monkeypatch):
    """In the words of the response that came nearest to one."""
    near = decay(None, range_db=25.0, reasons={"t20_s": "25 dB, 28 dB are needed"}, t30_s=None)
    far = decay(None, range_db=10.0, reasons={"t20_s": "10 dB, 28 dB are needed"}, t30_s=None)
    found = averaged(monkeypatch, far, near)
    assert (found.valid, found.responses, found.t20_s, found.scatter_s) == (False, 0, None, None)
    assert found.reason == found.not_measured["t20_s"] == "25 dB, 28 dB are needed"
    assert found.not_measured["t30_s"] == "no response carries it"
    assert set(found.not_measured) == {"t20_s", "t30_s"}
    assert remarks(found) == []


def test_what_to_know_of_a_band(monkeypatch):
    """A short range, a filter run backwards, direct sound, a bent decay."""
    assert remarks(averaged(monkeypatch, decay())) == []
    (short,) = remarks(averaged(monkeypatch, decay(range_db=40.0)))
    assert short.startswith("range 40 dB; ISO 3382-2 asks for 45 dB for T30")
    (less,) = remarks(averaged(monkeypatch, decay(range_db=33.0, t30_s=None)))
    assert less.startswith("range 33 dB; ISO 3382-2 asks for 35 dB for T20")
    assert remarks(averaged(monkeypatch, decay(range_db=45.0))) == []
    (back,) = remarks(averaged(monkeypatch, decay(), decay(reversed_filter=True)))
    assert "backwards" in back
    (direct,) = remarks(averaged(monkeypatch, decay(), decay(direct_removed=True)))
    assert "direct sound" in direct
    for percent, told in ((20.0, "+20 %"), (-20.0, "-20 %")):
        (bent,) = remarks(averaged(monkeypatch, decay(curvature_percent=percent)))
        assert bent == f"the decay is bent: T30 differs from T20 by {told}"
    assert remarks(averaged(monkeypatch, decay(curvature_percent=None))) == []


@pytest.mark.parametrize(
    ("rate_hz", "highest"), [(48_000, 8000.0), (16_000, 4000.0), (8000, 2000.0)]
)
def test_bands_end_below_half_the_rate(rate_hz: int, highest: float):
    """Of several recordings the lowest rate counts; octaves from 63 Hz, third octaves from 100."""
    sounds = [SimpleNamespace(rate_hz=rate_hz), SimpleNamespace(rate_hz=96_000)]
    octaves = room_bands.wanted_bands(sounds, 1)
    assert (octaves[0].nominal_hz, octaves[-1].nominal_hz) == (63.0, highest)
    assert room_bands.wanted_bands(sounds, 3)[0].nominal_hz == 100.0


# -- Two positions --------------------------------------------------------------------------------

WORDS = {"level": -23.0, "snr_db": 50.0, "rt60_s": 0.2, "ltas": {}}
BANDS_HZ = (80.0, 125.0, 250.0, 315.0, 500.0, 800.0, 1000.0, 1600.0, 2500.0, 3150.0, 5000.0, 6300.0,
            8000.0, 10_000.0, 12_500.0)  # fmt: skip


@pytest.fixture
def words(monkeypatch: pytest.MonkeyPatch):
    """Return how to compare two recordings of words whose facts are given."""

    def compare(
        first: dict[str, Any], second: dict[str, Any], lengths: tuple[int, int] = (4800, 4800)
    ) -> PositionsResult:
        pair = [Recording(NOTHING.voice[:n] if n <= 4800 else np.tile(NOTHING.voice, n // 4800),
                          RATE_HZ) for n in lengths]  # fmt: skip
        facts = {id(r): {**WORDS, **given} for r, given in zip(pair, (first, second), strict=True)}
        monkeypatch.setattr(positions, "recognise", lambda *_: None)
        monkeypatch.setattr(
            positions, "active_level_of", lambda r: SimpleNamespace(dbfs=facts[id(r)]["level"])
        )
        for module, field in (("noise", "snr_db"), ("reverberation", "rt60_s")):
            monkeypatch.setattr(
                getattr(positions, module),
                "measure",
                lambda r, field=field: SimpleNamespace(**{field: facts[id(r)][field]}),
            )
        monkeypatch.setattr(
            positions.tone,
            "measure",
            lambda r: SimpleNamespace(
                ltas=[
                    SimpleNamespace(centre_hz=hz, level_db=facts[id(r)]["ltas"].get(hz, -40.0))
                    for hz in facts[id(r)].get("bands", BANDS_HZ)
                ]
            ),
        )
        return compare_positions(*pair, Policy())

    return compare


def by_name(result: PositionsResult) -> dict[str, positions.Difference]:
    return {difference.name: difference for difference in result.differences}


def test_positions_that_are_alike_are_told_apart_in_nothing(words):
    """3 dB of noise, 1 dB of level and a quarter of the reverberation are still alike."""
    result = words({}, {"snr_db": 53.0, "level": -22.0, "rt60_s": 0.25})
    assert result.kind == "words"
    assert result.better is None
    assert [d.name for d in result.differences] == ["level", "noise", "room", "tone"]
    assert all(d.alike is True and d.better is None for d in result.differences)
    assert all(band.difference_db == 0.0 for band in result.tone)
    assert [band.centre_hz for band in result.tone] == list(BANDS_HZ)
    assert (remarks(result), result.first, result.second) == ([], None, None)


@pytest.mark.parametrize(
    ("name", "better"), [("noise", {"snr_db": 53.1}), ("room", {"rt60_s": 0.15})]
)
def test_more_distance_to_the_noise_and_less_room_are_better(words, name: str, better):
    """Swapping the two swaps the side."""
    there, back = words({}, better), words(better, {})
    assert (there.better, back.better) == ("second", "first")
    assert (by_name(there)[name].better, by_name(back)[name].better) == ("second", "first")
    assert by_name(there)[name].alike is False
    assert by_name(there)[name].first == by_name(back)[name].second
    assert by_name(there)[name].source


def test_level_and_tone_are_told_and_are_no_matter_of_better(words):
    """A louder, brighter position is neither better nor worse."""
    result = words({}, {"level": -20.0, "ltas": {8000.0: -30.0, 10_000.0: -30.0, 12_500.0: -30.0}})
    assert by_name(result)["level"].alike is False
    assert (
        by_name(result)["level"].better is by_name(result)["tone"].better is result.better is None
    )
    assert by_name(result)["tone"].region.startswith("in the top")
    assert (by_name(result)["level"].first, by_name(result)["level"].second) == (-23.0, -20.0)


def test_better_in_one_thing_and_worse_in_another_is_not_better(words):
    """Quieter but livelier."""
    result = words({}, {"snr_db": 60.0, "rt60_s": 0.5})
    assert (by_name(result)["noise"].better, by_name(result)["room"].better) == ("second", "first")
    assert result.better is None


@pytest.mark.parametrize("missing", [None, -math.inf])
def test_what_one_of_them_does_not_tell_cannot_be_compared(words, missing: float | None):
    """It is neither alike nor better."""
    for pair in (({}, {"snr_db": missing}), ({"snr_db": missing}, {})):
        found = by_name(words(*pair))["noise"]
        assert found.alike is found.better is None


@pytest.mark.parametrize(
    ("region", "inside"),
    [
        ("in the bass", (80.0, 125.0, 250.0)),
        ("in the low middle", (315.0, 500.0, 800.0)),
        ("in the middle", (1000.0, 1600.0, 2500.0)),
        ("in the presence", (3150.0, 5000.0, 6300.0)),
        ("in the top", (8000.0, 10_000.0, 12_500.0)),
    ],
)
def test_each_region_of_the_spectrum_answers_for_itself(words, region: str, inside):
    """5 dB more in a fifth of the bands: 4 dB more there once the mean is taken off, 1 dB less."""
    result = words({}, {"ltas": dict.fromkeys(inside, -35.0)})
    (found,) = (d for d in result.differences if d.name == "tone")
    assert found.region.startswith(region)
    assert (found.first, found.second) == (0.0, pytest.approx(4.0))
    assert found.alike is False
    steps = {b.centre_hz: b.difference_db for b in result.tone}
    assert all(steps[hz] == pytest.approx(4.0 if hz in inside else -1.0) for hz in BANDS_HZ)
    back = words({"ltas": dict.fromkeys(inside, -35.0)}, {})
    (found,) = (d for d in back.differences if d.name == "tone")
    assert found.second == pytest.approx(-4.0)


def test_a_spectrum_of_a_few_bands_is_not_compared(words):
    """Five are enough; what is silent in one of them, or outside of the voice, does not count."""
    for count, told in ((5, True), (4, False)):
        result = words({"bands": BANDS_HZ[:count]}, {})
        assert (by_name(result)["tone"].alike is True) is told
        assert len(result.tone) == (count if told else 0)
    silent = words({"ltas": {80.0: -math.inf}}, {})
    assert 80.0 not in [b.centre_hz for b in silent.tone]
    wide = words({"bands": (20.0, *BANDS_HZ, 16_000.0)}, {"bands": (20.0, *BANDS_HZ, 16_000.0)})
    assert [b.centre_hz for b in wide.tone] == list(BANDS_HZ)


@pytest.mark.parametrize(("length", "told"), [(4800, False), (9600, True)])
def test_recordings_of_other_lengths_are_asked_about(words, length: int, told: bool):
    """A quarter longer is still the same words; twice as long is asked about, either way round."""
    for lengths in ((4800, length), (length, 4800)):
        told_of = remarks(words({}, {}, lengths))
        assert bool(told_of) is told
        assert not told or "differ in length by more than 25%" in told_of[0]


def fake_room(**more: Any) -> SimpleNamespace:
    base: dict[str, Any] = {
        "responses": (SimpleNamespace(onset_s=0.5),), "mid_t_s": 0.3, "voice_t_s": 0.3,
        "peak_to_noise_db": 60.0, "mid_c50_db": 12.0, "noise": SimpleNamespace(floor_a_dbfs=-70.0),
    }  # fmt: skip
    return SimpleNamespace(**{**base, **more})


@pytest.fixture
def claps(monkeypatch: pytest.MonkeyPatch):
    """Return how to compare two recordings of claps (or of room tone) whose rooms are given."""

    def compare(
        first: SimpleNamespace, second: SimpleNamespace, kind: str = "impulse", gain: float = 1.0
    ) -> PositionsResult:
        x = np.random.default_rng(1).standard_normal(RATE_HZ)
        pair = [Recording(x, RATE_HZ), Recording(gain * x, RATE_HZ)]
        rooms = {id(pair[0]): first, id(pair[1]): second}
        asked: list[str] = []

        def measure(recording: Recording, excitation: str) -> SimpleNamespace:
            asked.append(excitation)
            return rooms[id(recording)]

        monkeypatch.setattr(positions, "recognise", lambda *_: kind)
        monkeypatch.setattr(positions, "measure_room", measure)
        result = compare_positions(*pair, Policy())
        assert asked == [kind, kind]
        return result

    return compare


@pytest.mark.parametrize(
    ("name", "better"),
    [
        ("noise", {"peak_to_noise_db": 64.0}),
        ("room", {"mid_t_s": 0.2}),
        ("clarity", {"mid_c50_db": 14.0}),
    ],
)
def test_claps_compare_by_noise_room_and_clarity(claps, name: str, better: dict[str, float]):
    """The farther from the noise, the drier and the clearer is better; swapped, the other."""
    there, back = claps(fake_room(), fake_room(**better)), claps(fake_room(**better), fake_room())
    assert there.kind == "impulse"
    assert [d.name for d in there.differences] == ["level", "noise", "room", "clarity", "tone"]
    assert (there.better, back.better) == ("second", "first")
    assert [d.name for d in there.differences if d.better] == [name]
    assert remarks(there) == []


def test_the_level_of_a_clap_is_that_of_its_first_50_ms(claps):
    """White noise of RMS 1 is at 0 dBFS; half of it 6 dB below; the tone stays."""
    result = claps(fake_room(), fake_room(), gain=0.5)
    level = by_name(result)["level"]
    assert level.first == pytest.approx(0.0, abs=0.3)
    assert level.second - level.first == pytest.approx(-6.02, abs=0.01)
    assert by_name(result)["tone"].alike is True
    assert all(abs(b.difference_db) < 1e-6 for b in result.tone)
    assert result.tone[0].centre_hz == 160.0
    assert result.tone[-1].centre_hz == 12_500.0
    none = claps(fake_room(responses=()), fake_room())
    assert by_name(none)["level"].first is by_name(none)["level"].alike is None


def test_where_the_middle_is_not_known_the_voice_bands_are_compared(claps):
    """A room without its T20 of 500 Hz is still compared."""
    result = claps(fake_room(mid_t_s=None, voice_t_s=0.5), fake_room(mid_t_s=None, voice_t_s=0.3))
    assert (by_name(result)["room"].first, by_name(result)["room"].second) == (0.5, 0.3)
    assert result.better == "second"


def test_room_tones_compare_by_their_level(claps):
    """The quieter one is better, and only where the gain was the same."""
    loud = fake_room(noise=SimpleNamespace(floor_a_dbfs=-60.0))
    there, back = claps(loud, fake_room(), "room tone"), claps(fake_room(), loud, "room tone")
    assert (there.better, back.better) == ("second", "first")
    assert [d.name for d in there.differences] == ["noise"]
    assert there.tone == ()
    assert remarks(there) == ["Room tone compares only where the gain was the same."]
    untold = claps(fake_room(noise=None), fake_room(), "room tone")
    assert untold.better is by_name(untold)["noise"].alike is None


@pytest.mark.parametrize(
    ("edge", "region"),
    [
        (80.0, "in the bass"), (250.0, "in the bass"), (315.0, "in the low middle"),
        (800.0, "in the low middle"), (1000.0, "in the middle"), (2500.0, "in the middle"),
        (3150.0, "in the presence"), (6300.0, "in the presence"), (8000.0, "in the top"),
        (12_500.0, "in the top"),
    ],
)  # fmt: skip
def test_the_bands_at_the_edges_of_a_region_belong_to_it(words, edge: float, region: str):
    """12 dB more in one of its three bands: 4 dB of its mean, 0.8 of the mean of all."""
    result = words({}, {"ltas": {edge: -28.0}})
    (found,) = (d for d in result.differences if d.name == "tone")
    assert found.region.startswith(region)
    assert found.second == pytest.approx(3.2)


@pytest.mark.parametrize(("rate_hz", "highest"), [(48_000, 12_500.0), (16_000, 6300.0)])
def test_the_spectrum_of_a_clap_is_that_of_its_bands(monkeypatch, rate_hz: int, highest: float):
    """Closed form: the difference of neighboring samples has a gain of 2 sin(pi f / rate)."""
    x = np.random.default_rng(4).standard_normal(rate_hz)
    pair = Recording(x, rate_hz), Recording(np.diff(x, prepend=0.0), rate_hz)
    monkeypatch.setattr(positions, "recognise", lambda *_: "impulse")
    monkeypatch.setattr(positions, "measure_room", lambda *_, **__: fake_room())
    bands_of = {b.centre_hz: b.difference_db for b in compare_positions(*pair, Policy()).tone}
    assert min(bands_of) == 160.0
    assert max(bands_of) == highest
    # From 800 Hz on: below, the abrupt ends of the 50 ms spread what is louder above.
    gains = {
        hz: 20.0 * math.log10(2.0 * math.sin(math.pi * hz / rate_hz))
        for hz in bands_of
        if hz >= 800.0
    }
    middle = np.mean([bands_of[hz] - gain for hz, gain in gains.items()])
    for hz, gain in gains.items():
        # 2 dB: a band of 800 Hz holds some ten bins of noise.
        assert bands_of[hz] - middle == pytest.approx(gain, abs=2.0), hz


def test_claps_and_room_tone_are_not_compared(monkeypatch):
    """The two are named, and what each of them holds."""
    x = np.random.default_rng(5).standard_normal(RATE_HZ)
    pair = [
        Recording(x, RATE_HZ, replace(Recording(x, RATE_HZ).source, path=name))
        for name in ("near.wav", "far.wav")
    ]
    kinds = iter(("impulse", "room tone"))
    monkeypatch.setattr(positions, "recognise", lambda *_: next(kinds))
    with pytest.raises(AudioError, match=r"^near.wav holds claps, far.wav room tone: compare"):
        compare_positions(*pair, Policy())
    monkeypatch.setattr(positions, "recognise", lambda *_: "impulse")
    monkeypatch.setattr(positions, "measure_room", lambda *_, **__: fake_room())
    result = compare_positions(*pair, Policy())
    assert (result.first, result.second) == ("near.wav", "far.wav")


def test_a_tone_lies_in_its_band_alone(monkeypatch):
    """40 dB of 1 kHz in the second: no other third octave rises against the rest."""
    x = 1e-3 * np.random.default_rng(6).standard_normal(RATE_HZ)
    tone = 0.1 * np.sin(2 * np.pi * 1000.0 * np.arange(RATE_HZ) / RATE_HZ)
    monkeypatch.setattr(positions, "recognise", lambda *_: "impulse")
    monkeypatch.setattr(positions, "measure_room", lambda *_, **__: fake_room())
    result = compare_positions(Recording(x, RATE_HZ), Recording(x + tone, RATE_HZ), Policy())
    steps = {b.centre_hz: b.difference_db for b in result.tone}
    assert max(steps, key=steps.__getitem__) == 1000.0
    assert steps[1000.0] > max(step for hz, step in steps.items() if hz != 1000.0) + 6.0
    assert steps[8000.0] < 0.0
