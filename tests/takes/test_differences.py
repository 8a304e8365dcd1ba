"""A pickup against a reference, both made by hand: signs, words and borders follow from meaning."""

from __future__ import annotations

import numpy as np
import pytest

from tests.material.handmade import FAULTLESS, take
from vocheck.measurements.speech import Span
from vocheck.measurements.tone import Band
from vocheck.policy.every import Policy
from vocheck.takes.match import Difference, MatchResult, match_results
from vocheck.wording.match import distance_hint, sentence

MORE = {
    "level": ({"loudness__integrated_lufs": -21.0}, 3.0, "louder", "softer"),
    "noise": ({"noise__snr_db": 56.0}, 6.0, "more noise", "less noise"),
    "room": ({"reverberation__c50_db": 31.0}, 6.0, "drier", "roomier"),
    "reverberation": ({"reverberation__rt60_s": 0.22}, 0.10, "longer", "shorter"),
    "pitch": ({"speech__pitch_median_hz": 200.0 * 2 ** (2 / 12)}, 2.0, "higher", "lower"),
}
"""What makes a pickup have more of something, by how much, and the words for more and for less."""


def difference(result: MatchResult, name: str) -> Difference:
    return next(d for d in result.differences if d.name == name)


@pytest.mark.parametrize("name", MORE)
def test_more_of_it_is_told_as_more_and_swapping_the_takes_swaps_sign_and_word(name: str):
    """Take less reference; the other way round it is the opposite."""
    changed, size, more, less = MORE[name]
    plain, other = take(1), take(2, **changed)
    there = difference(match_results(plain, other), name)
    back = difference(match_results(other, plain), name)
    assert there.difference == pytest.approx(size)
    assert back.difference == pytest.approx(-size)
    assert more in sentence(there)
    assert less not in sentence(there)
    assert less in sentence(back)
    assert (there.reference, there.take) == (back.take, back.reference)
    assert there.verdict == back.verdict == "can be matched"


def test_pace_is_told_in_percent_of_the_reference():
    """5 syllables a second against 4 are a quarter faster; 4 against 5 a fifth slower."""
    slow, fast = take(1), take(2, speech__syllables_per_s=5.0)
    there, back = (
        difference(match_results(*pair), "pace") for pair in ((slow, fast), (fast, slow))
    )
    assert there.difference == pytest.approx(25.0)
    assert "25 % faster" in sentence(there)
    assert back.difference == pytest.approx(-20.0)
    assert "20 % slower" in sentence(back)


def test_equal_takes_match_in_everything():
    """No difference, no gain, no equalizer, no hint."""
    result = match_results(take(1), take(2))
    assert result.verdict == "matches"
    assert all(d.verdict == "matches" and d.difference == 0.0 for d in result.differences)
    assert all(sentence(d).endswith("matches") for d in result.differences)
    assert (result.gain_db, result.eq, distance_hint(result)) == (0.0, (), None)
    assert result.same_line


@pytest.mark.parametrize(
    ("snr_db", "verdict"),
    [
        (59.0, "matches"), (65.0, "matches"), (58.9, "can be matched"), (65.1, "can be matched"),
        (52.0, "can be matched"), (51.9, "differs"), (72.1, "differs"),
    ],
)  # fmt: skip
def test_the_borders_of_a_tolerance(snr_db: float, verdict: str):
    """3 dB of noise either way still match, 10 dB can still be mended, more cannot (62 dB: 0)."""
    result = match_results(take(1), take(2, noise__snr_db=snr_db))
    assert difference(result, "noise").verdict == verdict
    assert result.verdict == verdict


def test_the_worst_difference_is_the_verdict():
    """One that differs outweighs one that can be matched, wherever they stand."""
    mendable = {"loudness__integrated_lufs": -20.0}
    beyond = {"reverberation__rt60_s": 0.6}
    assert match_results(take(1), take(2, **mendable)).verdict == "can be matched"
    assert match_results(take(1), take(2, **mendable, **beyond)).verdict == "differs"


def test_the_gain_takes_the_difference_back():
    """A pickup 3 LU louder is turned down by 3 dB."""
    assert match_results(take(1), take(2, loudness__integrated_lufs=-21.0)).gain_db == -3.0
    unknown = match_results(take(1), take(2, loudness__integrated_lufs=None))
    assert unknown.gain_db is None


@pytest.mark.parametrize("missing", ["first", "second"])
@pytest.mark.parametrize(
    ("name", "fact"),
    [
        ("level", "loudness__integrated_lufs"), ("noise", "noise__snr_db"),
        ("room", "reverberation__c50_db"), ("reverberation", "reverberation__rt60_s"),
        ("pitch", "speech__pitch_median_hz"), ("pace", "speech__syllables_per_s"),
    ],
)  # fmt: skip
def test_what_was_not_measured_on_one_of_them_cannot_be_told(name: str, fact: str, missing: str):
    """No number, no verdict, the reason in words; and it is never counted as a match."""
    pair = [take(1), take(2, **{fact: None})]
    found = difference(match_results(*(pair[::-1] if missing == "first" else pair)), name)
    assert found.difference is None
    assert found.verdict is None
    assert "cannot tell" in sentence(found)
    assert "both takes" in sentence(found)


def test_silence_has_no_level_to_compare():
    """Minus infinity less a number is not told as a number."""
    result = match_results(take(1), take(2, loudness__integrated_lufs=-np.inf))
    found = difference(result, "level")
    assert found.difference is None
    assert "one of the takes is silent" in sentence(found)


def spectrum(**levels_db: float) -> tuple[Band, ...]:
    """Return a spectrum of third octaves at -40 dB, some of them changed: ``hz125=-30.0``."""
    centres = [1000.0 * 10 ** (n / 10) for n in range(-14, 11)]
    changed = {float(name.removeprefix("hz")): value for name, value in levels_db.items()}
    return tuple(
        Band(
            centre_hz=hz,
            level_db=next((v for at, v in changed.items() if abs(hz / at - 1) < 0.1), -40.0),
        )
        for hz in centres
    )


def test_a_louder_take_has_the_same_tone():
    """The mean difference is level, not tone."""
    louder = tuple(
        Band(centre_hz=band.centre_hz, level_db=band.level_db + 9.0) for band in spectrum()
    )
    result = match_results(take(1, tone__ltas=spectrum()), take(2, tone__ltas=louder))
    assert difference(result, "tone").difference == pytest.approx(0.0)
    assert result.eq == ()
    assert distance_hint(result) is None


def test_the_equalizer_brings_back_what_is_lacking():
    """The octave around 125 Hz is 4 dB weak: it is turned up by 4, nothing else is; and back."""
    weak = spectrum(hz100=-44.0, hz125=-44.0, hz160=-44.0)
    plain, thin = take(1, tone__ltas=spectrum()), take(2, tone__ltas=weak)
    gains = {b.centre_hz: b.gain_db for b in match_results(plain, thin).eq}
    assert gains == {125.0: 4.0}
    gains = {b.centre_hz: b.gain_db for b in match_results(thin, plain).eq}
    assert gains == {125.0: -4.0}


def test_the_equalizer_never_goes_far_and_leaves_what_is_little():
    """6 dB at most, nothing below 1 dB."""
    hole = spectrum(hz100=-60.0, hz125=-60.0, hz160=-60.0)
    result = match_results(take(1, tone__ltas=spectrum()), take(2, tone__ltas=hole))
    assert {b.centre_hz: b.gain_db for b in result.eq} == {125.0: 6.0}
    slight = spectrum(hz100=-40.9, hz125=-40.9, hz160=-40.9)
    assert match_results(take(1, tone__ltas=spectrum()), take(2, tone__ltas=slight)).eq == ()


def test_less_bass_hints_at_a_distance_and_more_at_a_nearer_place():
    """3 dB between 80 and 250 Hz against the middle: a directional microphone moved away."""
    bass = {f"hz{hz}": -43.0 for hz in (80, 100, 125, 160, 200, 250)}
    plain, far = take(1, tone__ltas=spectrum()), take(2, tone__ltas=spectrum(**bass))
    away, near = distance_hint(match_results(plain, far)), distance_hint(match_results(far, plain))
    assert away == "3 dB less bass than the reference: possibly further from the microphone"
    assert near == "3 dB more bass than the reference: possibly closer to the microphone"


def test_a_little_less_bass_hints_at_nothing():
    """2 dB are within what a turned head does."""
    bass = {f"hz{hz}": -42.0 for hz in (80, 100, 125, 160, 200, 250)}
    result = match_results(take(1, tone__ltas=spectrum()), take(2, tone__ltas=spectrum(**bass)))
    assert distance_hint(result) is None


def test_no_spectrum_no_tone():
    """Neither of the two is guessed."""
    for pair in ((take(1), take(2, tone__ltas=None)), (take(1, tone__ltas=None), take(2))):
        result = match_results(*pair)
        found = difference(result, "tone")
        assert found.difference is None
        assert "no spectrum on both takes" in sentence(found)
        assert result.eq == ()
        assert distance_hint(result) is None


def test_other_words_have_a_wider_tolerance_and_need_seven_seconds():
    """8.5 s of speech are enough (the faultless take), 6.5 s in either take are not."""
    other = match_results(take(1), take(2, line="02_kiln"))
    assert not other.same_line
    found = difference(other, "tone_other_text")
    assert found.within == 5.0
    assert found.difference == 0.0
    assert difference(match_results(take(1), take(2)), "tone").within == 3.0
    short = {"speech__phrases": (Span(start_s=0.5, end_s=4.0), Span(start_s=5.0, end_s=8.0))}
    for pair in ((take(1, **short), take(2, line="b")), (take(1), take(2, line="b", **short))):
        found = difference(match_results(*pair), "tone_other_text")
        assert found.difference is None
        assert "7 s of speech" in sentence(found)


def test_takes_of_no_known_line_are_not_of_one_line():
    """Two files without a line in their names may hold anything."""
    assert not match_results(take(1, line=None), take(2, line=None)).same_line


def test_every_difference_says_on_whose_word():
    """Source, status and advice come with it."""
    assert "speech" in FAULTLESS
    for found in match_results(take(1), take(2)).differences:
        assert found.source
        assert found.status
        assert found.now
        assert found.unit


NOMINAL_HZ = (50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000,
              2500, 3150, 4000, 5000, 6300, 8000, 10_000)  # fmt: skip


def nominal(**levels_db: float) -> tuple[Band, ...]:
    """Return a spectrum by nominal third octaves (IEC 61260-1), at -40 dB where not told."""
    return tuple(
        Band(centre_hz=float(hz), level_db=levels_db.get(f"hz{hz}", -40.0)) for hz in NOMINAL_HZ
    )


@pytest.mark.parametrize("centre", [63, 125, 250, 500, 1000, 2000, 4000, 8000])
def test_each_octave_of_the_equalizer_answers_for_its_third_octaves(centre: int):
    """3 dB too much in the three third octaves around a centre: 3 dB less there, nothing else."""
    at = NOMINAL_HZ.index(centre)
    much = nominal(**{f"hz{hz}": -37.0 for hz in NOMINAL_HZ[at - 1 : at + 2]})
    result = match_results(take(1, tone__ltas=nominal()), take(2, tone__ltas=much))
    assert [(band.centre_hz, band.gain_db) for band in result.eq] == [(float(centre), -3.0)]


@pytest.mark.parametrize(
    ("hz", "side"),
    [(63, 0), (80, 1), (250, 1), (315, 0), (400, 0), (500, -1), (2000, -1), (2500, 0)],
)
def test_the_bass_is_that_of_a_near_voice(hz: int, side: int):
    """80 to 250 Hz against 500 Hz to 2 kHz, their bands included: the rest is left alone."""
    loud = take(2, tone__ltas=nominal(**{f"hz{hz}": -4.0}))
    bass = match_results(take(1, tone__ltas=nominal()), loud).bass_db
    count = 6 if side > 0 else 7
    assert bass == (None if side == 0 else pytest.approx(side * 36.0 / count))


def test_a_dark_voice_gives_no_hint_by_itself():
    """Both takes have 12 dB more bass than middle: no difference, no hint."""
    dark = nominal(**{f"hz{hz}": -28.0 for hz in (80, 100, 125, 160, 200, 250)})
    assert match_results(take(1, tone__ltas=dark), take(2, tone__ltas=dark)).bass_db is None


def test_three_third_octaves_are_enough_and_two_are_not():
    """Of a spectrum that hardly reaches the voice nothing is said."""
    few = nominal()[:6]  # 100, 125 and 160 Hz are within what every voice fills
    found = difference(match_results(take(1, tone__ltas=few), take(2, tone__ltas=few)), "tone")
    assert found.difference == 0.0
    fewer = few[:5]
    found = difference(match_results(take(1, tone__ltas=fewer), take(2, tone__ltas=fewer)), "tone")
    assert found.difference is None
    weak = tuple(Band(centre_hz=b.centre_hz, level_db=b.level_db - 9.0 * (b.centre_hz < 70.0))
                 for b in nominal()[:3])  # fmt: skip
    assert match_results(take(1, tone__ltas=nominal()[:3]), take(2, tone__ltas=weak)).eq
    assert match_results(take(1, tone__ltas=nominal()[:2]), take(2, tone__ltas=weak)).eq == ()


@pytest.mark.parametrize(("hz", "counts"), [(80, 0), (100, 1), (6300, 1), (8000, 0)])
def test_the_tone_is_that_of_the_bands_that_every_voice_fills(hz: int, counts: int):
    """100 Hz to 7 kHz: a hole outside changes nothing."""
    hole = take(2, tone__ltas=nominal(**{f"hz{hz}": -60.0}))
    found = difference(match_results(take(1, tone__ltas=nominal()), hole), "tone")
    assert (found.difference > 0.0) == bool(counts)


def test_a_pickup_carries_its_names_and_the_tolerance_it_is_held_to():
    """Paths, unit, what, and within how much it matches."""
    result = match_results(take(1), take(2, loudness__integrated_lufs=-22.0))
    assert (result.reference, result.path) == ("01_river_t1.flac", "01_river_t2.flac")
    level = difference(result, "level")
    assert (level.reference, level.take, level.unit) == (-24.0, -22.0, "LU")
    assert level.reason == ""
    assert "words" not in level.to_dict()
    assert result.to_dict()["schema"] == 1
    assert result.gain_db == -2.0


def test_a_hint_begins_at_its_own_number():
    """As much bass as match.toml asks for is told; a little less is not."""
    least = Policy().match.distance.bass_db
    for bass_db, told in ((least, True), (least - 0.01, False)):
        more = nominal(**{f"hz{hz}": -40.0 + bass_db for hz in (80, 100, 125, 160, 200, 250)})
        found = match_results(take(1, tone__ltas=nominal()), take(2, tone__ltas=more)).bass_db
        assert (found is not None) is told
