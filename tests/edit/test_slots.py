"""Lines against the picture: 1000 timelines made at random, against counting by the millisecond."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest

from vocheck.edit.picture import Picture, Slot
from vocheck.edit.slots import LineFit, Place, Read, find_places, fit_lines
from vocheck.edit.timecode import RATES
from vocheck.errors import SessionError
from vocheck.policy.every import Policy
from vocheck.wording.slots import fit_text

POLICY = Policy()


def slot(name: str, start: float, end: float, kind: str = "audio", text: str = "") -> Slot:
    return Slot(kind=kind, name=name, text=text, start=Fraction(start), end=Fraction(end))


def picture(*slots: Slot, cuts: tuple[float, ...] = ()) -> Picture:
    return Picture(
        path="potter.edl",
        rate=RATES["25"],
        first_frame=90_000,
        slots=slots,
        cuts=tuple(map(Fraction, cuts)),
    )


def fitted(
    reads_s: dict[str, float], slots: list[Slot], cuts: tuple[float, ...] = ()
) -> tuple[LineFit, ...]:
    reads = [
        Read(line=line, path=f"{line}_t1.wav", read_s=length, others={})
        for line, length in reads_s.items()
    ]
    places = [Place(line=s.name, slots=(s,)) for s in slots]
    return fit_lines(reads, places, picture(*slots, cuts=cuts), POLICY)


@pytest.mark.parametrize("block", range(4))
def test_all_overruns_of_random_timelines_are_found(block: int):
    """Over the slot, each cut, the next line: 250 timelines, each counted millisecond by another.

    The count knows no arithmetic of edges: a line is the milliseconds in which it is read, and
    so is a slot.
    """
    rng = np.random.default_rng(block)
    for _ in range(250):
        count = int(rng.integers(1, 6))
        edges = np.sort(rng.choice(np.arange(1, 600), 2 * count, replace=False)) * 40
        lengths = rng.integers(1, 6000, count)
        # Some end with their slot to the millisecond, or one beside it.
        for n in range(count):
            if rng.random() < 0.3:
                lengths[n] = edges[2 * n + 1] - edges[2 * n] + rng.integers(-1, 2)
        cuts = {int(edge) for edge in edges[1::2] if rng.random() < 0.7}
        cuts |= set((40 * rng.integers(1, 600, 3)).tolist())
        slots = [
            slot(f"{n:02d}", Fraction(int(a), 1000), Fraction(int(b), 1000))
            for n, (a, b) in enumerate(edges.reshape(-1, 2))
        ]
        reads = {f"{n:02d}": Fraction(int(length), 1000) for n, length in enumerate(lengths)}
        found = fitted(reads, slots, tuple(Fraction(cut, 1000) for cut in sorted(cuts)))
        assert len(found) == count
        for n, fit in enumerate(found):
            start, end = int(edges[2 * n]), int(edges[2 * n + 1])
            read, inside, following = (np.zeros(32_000, bool) for _ in range(3))
            read[start : start + int(lengths[n])] = True
            inside[start:end] = True
            following[int(edges[2 * n + 2]) if n + 1 < count else 32_000 :] = True
            beyond = read & ~inside
            names = {misfit.name for misfit in fit.misfits}
            assert (fit.faster is not None) == beyond.any() == ("faster" in names)
            left = np.count_nonzero(inside) - np.count_nonzero(read)
            assert fit.spare_s == pytest.approx(left / 1000)
            passed = sorted(cut for cut in cuts if beyond[cut])
            assert len(fit.cuts) == len(passed)
            if passed:
                behind = np.count_nonzero(read[passed[0] :])
                assert fit.over_cut_s == pytest.approx(behind / 1000)
                assert ("over_cut" in names) == (behind > 40)  # a frame at 25 a second
            both = np.count_nonzero(read & following)
            assert ("into_next" in names) == (both > 0)
            assert (fit.into_next_s or 0.0) == pytest.approx(both / 1000)
            if following.any() and not both:
                last = np.flatnonzero(read)[-1]
                silent = np.count_nonzero(~following[last + 1 :])
                assert fit.pause_s == pytest.approx(silent / 1000, abs=1e-9)
                assert ("pause_short" in names) == (silent < 200)
                assert ("pause_long" in names) == (silent > 4000)


def test_how_much_faster_and_in_how_many_words():
    """8.8 s of 22 words in 8 s: a tenth faster, 150 words a minute become 165."""
    text = "Ida Marlow fires her pots twice a year and sleeps beside the kiln for three nights " * 2
    text = " ".join(text.split()[:22])
    read = Read(line="02_kiln", path="t1.wav", read_s=8.8, text=text, others={"t2.wav": 7.9})
    places = [Place(line="02_kiln", slots=(slot("02_kiln", 2, 10),))]
    (fit,) = fit_lines([read], places, picture(*places[0].slots), POLICY)
    assert fit.faster == pytest.approx(0.1)
    assert fit.words == 22
    assert fit.words_per_minute == pytest.approx(150.0)
    assert fit.words_per_minute_needed == pytest.approx(165.0)
    assert fit.fitting == ("t2.wav",)
    assert fit.verdict == "fixable"
    assert (fit.start, fit.end) == ("01:00:02:00", "01:00:10:00")


def test_what_its_own_pauses_would_save():
    """Pauses of 0.5, 0.7 and 0.15 s, each brought to 0.2 s: 0.3 + 0.5 + 0 s."""
    places = [Place(line="a", slots=(slot("a", 0, 5),))]
    for read_s, says in ((5.6, True), (6.0, False)):
        read = Read(line="a", path="t1.wav", read_s=read_s, pauses_s=(0.5, 0.7, 0.15), others={})
        (fit,) = fit_lines([read], places, picture(*places[0].slots), POLICY)
        assert fit.in_pauses_s == pytest.approx(0.8)
        assert ("Its own pauses, shortened, would save 0.80 s." in fit_text(fit)) == says


def test_lines_and_slots_find_each_other_by_name():
    """Lines named as in the timeline of `comp`, as files, or with other separators."""
    names = ["02 Kiln take 3, phrases 1-2", "01_river_t4.wav", "music", "03_hands", "010_x"]
    slots = [slot(name, 10 * n, 10 * n + 5) for n, name in enumerate(names)]
    places, way = find_places(["01_river", "02_kiln", "03_hands"], picture(*slots), None)
    assert way == "name"
    assert [place.line for place in places] == ["02_kiln", "01_river", "", "03_hands", ""]


def test_captions_find_their_line_by_their_words():
    """Two captions are one line; a changed word and one of no line do no harm."""
    script = {
        "01_river": "The river came first, and then the mills.",
        "02_kiln": "For three nights she sleeps beside the kiln.",
    }
    says = [
        "THE RIVER CAME FIRST,",
        "and then the old mills.",
        "(hammering)",
        "For 3 nights she sleeps",
        "[the fire cracks]",
        "beside the kiln.",
    ]
    slots = [slot("", 4 * n, 4 * n + 3, kind="caption", text=text) for n, text in enumerate(says)]
    places, way = find_places(list(script), picture(*slots), script)
    assert way == "words"
    assert [place.line for place in places] == ["01_river", "", "02_kiln"]
    assert (places[0].start, places[0].end) == (0, 7)
    assert (places[2].start, places[2].end) == (12, 23)


def test_as_many_shots_as_lines_are_taken_one_by_one_and_else_it_is_asked():
    slots = [slot(f"cam {n}", 5 * n, 5 * n + 5, kind="video") for n in range(3)]
    places, way = find_places(["a", "b", "c"], picture(*slots), None)
    assert way == "order"
    assert [place.line for place in places] == ["a", "b", "c"]
    with pytest.raises(SessionError, match="for 2 lines there are 3 of kind video"):
        find_places(["a", "b"], picture(*slots), None)


def test_a_pause_is_judged_by_what_a_studio_sets(tmp_path):
    from vocheck.policy.every import load_policy

    file = tmp_path / "vocheck.toml"
    file.write_text("[slots.pause_long]\nnote = 1.0\nretake = 2.0\n", encoding="utf-8")
    slots = [slot("a", 0, 5), slot("b", 6, 8)]
    reads = [Read(line=s.name, path=None, read_s=3.0, others={}) for s in slots]
    places = [Place(line=s.name, slots=(s,)) for s in slots]
    first, last = fit_lines(reads, places, picture(*slots), load_policy(file))
    (misfit,) = first.misfits
    assert (misfit.name, misfit.severity, misfit.value) == ("pause_long", "retake", 3.0)
    assert misfit.source == str(file)
    assert last.pause_s is None
    assert [before.end_s <= after.start_s for before, after in pairwise([first, last])] == [True]
