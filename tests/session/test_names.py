"""Names of takes as recorders, telephones, editors and people give them.

The shapes are common practice (no source): the word for a take in several languages, scene, slate
and take, cue numbers, what is written behind the number, and the names that recorders count by.
"""

from __future__ import annotations

import random
import string
from pathlib import Path

import pytest

from vocheck.session.lineup import group_takes
from vocheck.session.names import parse_name, take_number

PROVEN = [
    ("02_kiln_t3.wav", "02_kiln", 3),
    ("02_kiln_T03.WAV", "02_kiln", 3),
    ("02_kiln_TK_03.wav", "02_kiln", 3),
    ("kiln take 12.wav", "kiln", 12),
    ("kiln-tk2.flac", "kiln", 2),
    ("Kiln t.3.wav", "Kiln", 3),
    ("05 river_take_1.aiff", "05 river", 1),
    ("02 kiln - take 3.wav", "02 kiln", 3),
    ("02 Kiln (Take 3).wav", "02 Kiln", 3),
    ("02 Kiln [tk 3].wav", "02 Kiln", 3),
    ("02_kiln_take_three.wav", "02_kiln", 3),
    ("Take 3 - kiln.wav", "kiln", 3),
    ("T4 - river.wav", "river", 4),
    ("take03_river_48k.wav", "river", 3),
    ("kilnT3.wav", "kiln", 3),
    ("kilnTake3.wav", "kiln", 3),
    ("kiln 2nd take.wav", "kiln", 2),
    ("02_kiln_t3_edit.wav", "02_kiln", 3),
    ("02_kiln_t3_L.wav", "02_kiln", 3),
    ("02_kiln_t3.R.wav", "02_kiln", 3),
    ("02_kiln_t3_48k.wav", "02_kiln", 3),
    ("02_kiln_t3_24bit.wav", "02_kiln", 3),
    ("02-kiln-T03-48k-24b.wav", "02-kiln", 3),
    ("02_kiln_48k_t3.wav", "02_kiln", 3),
    ("02_kiln_t3 (1).wav", "02_kiln", 3),
    ("02_kiln_t3 - Copy.wav", "02_kiln", 3),
    ("02_kiln_t3b.wav", "02_kiln", 3),
    ("02_kiln_t3_slower.wav", "02_kiln", 3),
    ("02_kiln_prise3.wav", "02_kiln", 3),
    ("plan 3 prise 2.wav", "plan 3", 2),
    ("kiln 2e prise.wav", "kiln", 2),
    ("kiln_toma_2.wav", "kiln", 2),
    ("Cena 3 Tomada 2.wav", "Cena 3", 2),
    ("horno presa 4.wav", "horno", 4),
    ("02_ugn_tagning_2.wav", "02_ugn", 2),
    ("Szene 4 Klappe 2 Take 3.wav", "Szene 4 Klappe 2", 3),
    ("piec_ujęcie_5.wav", "piec", 5),
    ("печь_дубль_2.wav", "печь", 2),
    ("窯_テイク3.wav", "窯", 3),
    ("S03_T2.wav", "S03", 2),
    ("S03T2.wav", "S03", 2),
    ("SC12_SL4_TK3.wav", "SC12_SL4", 3),
    ("SC12SL4TK3.wav", "SC12SL4", 3),
    ("Sc 3 Sl 2 Tk 1.wav", "Sc 3 Sl 2", 1),
    ("Scene 3 Shot 2 Take 1.wav", "Scene 3 Shot 2", 1),
    ("12A_T3.wav", "12A", 3),
    ("Sc12A-Tk03.wav", "Sc12A", 3),
    ("EP1_SC2_L014_TK03_alt1.wav", "EP1_SC2_L014", 3),
    ("042_T2.wav", "042", 2),
    ("1M05_T2.wav", "1M05", 2),
    ("R2_Q104_T3.wav", "R2_Q104", 3),
    ("ADR 204-0105_tk2.wav", "ADR 204-0105", 2),
    ("20260504_kiln_t3.wav", "kiln", 3),
    ("2026-05-04_kiln_t3.wav", "kiln", 3),
    ("kiln_t3_20260504.wav", "kiln", 3),
    ("kiln_2026-05-04_t3.wav", "kiln", 3),
    ("260504_02_kiln_tk1.wav", "02_kiln", 1),
]
"""The name proves it: it says that the number is one of a take."""

UNSURE = [
    ("03-02.flac", "03", 2),
    ("3-2-1.wav", "3-2", 1),
    ("12A-3-2.wav", "12A-3", 2),
    ("kiln_03.wav", "kiln", 3),
    ("kiln 3.wav", "kiln", 3),
    ("kiln (3).wav", "kiln", 3),
    ("kiln #3.wav", "kiln", 3),
    ("Kiln_03.L.wav", "Kiln", 3),
    ("Töpfer_03.wav", "Töpfer", 3),
    ("kiln-01_03.wav", "kiln-01", 3),
    ("ADR_1012_03.wav", "ADR_1012", 3),
    ("Q0104_02.wav", "Q0104", 2),
    ("vo_potter_017_03.wav", "vo_potter_017", 3),
    ("02_kiln_t3_pickup.wav", "02_kiln", 3),
    ("02_kiln_t3_PU2.wav", "02_kiln", 3),
    ("02_kiln_pickup_t1.wav", "02_kiln", 1),
    ("02_kiln_t3_for Ida.wav", "02_kiln_for Ida", 3),
    ("take1.wav", "folder", 1),
    ("T01.wav", "folder", 1),
]
"""It seems so; the number may count lines, or the file be a part of the line."""

NO_LINE = [
    *("20260504_003.wav", "20260504_101500.wav", "2026-05-04 10.15.00.wav", "260504_001.wav"),
    *("260504-T003.wav", "ZOOM0012.WAV", "ZOOM0012_LR.WAV", "REC_0003.wav", "DR0000_0123.wav"),
    *("STE-001.wav", "R_20260504-101500.wav", "Voice Memo 12.m4a", "New Recording 4.m4a"),
    *("Neue Aufnahme 7.m4a", "Audio 1_03.wav", "Track 01.wav", "untitled-2.wav", "0001.wav"),
    *("room_tone.wav", "room_tone_01.wav", "mix.flac", "mix_02.wav", "slate.wav", "part2.wav"),
]
"""A recorder counts its files, whatever is read; or it is no take."""


@pytest.mark.parametrize(("name", "line", "take"), PROVEN)
def test_names_that_prove_line_and_take(name: str, line: str, take: int):
    """The line and the number are understood, and nothing else needs to prove them."""
    found = parse_name(Path("/session/folder") / name)
    assert found is not None
    assert (found.line, found.take, found.sure) == (line, take, True)


@pytest.mark.parametrize(("name", "line", "take"), UNSURE)
def test_names_that_seem_to_say_line_and_take(name: str, line: str, take: int):
    """What it seems to be is understood, and that it is not proven."""
    found = parse_name(Path("/session/folder") / name)
    assert found is not None
    assert (found.line, found.take, found.sure) == (line, take, False)


@pytest.mark.parametrize("name", NO_LINE)
def test_names_that_say_no_line(name: str):
    """Nothing is made up."""
    assert parse_name(Path("/session/folder") / name) is None


def test_what_is_beside_the_number_tells_files_apart():
    """The two sides of one take, and its pickup, are one line and three things."""
    parts = [parse_name(f"kiln_t3{tag}.wav") for tag in ("_L", ".R", "_pu2", "_48k_24bit")]
    assert [part.part for part in parts if part] == ["L", "R", "pu2", "48k 24bit"]


def test_case_and_separators_do_not_part_a_line():
    """02_Kiln and 02 kiln are one line."""
    paths = [Path(name) for name in ("02_Kiln_t1.wav", "02 kiln t2.wav", "02-kiln_take3.wav")]
    lines, _, unsure = group_takes({path: parse_name(path) for path in paths})
    assert [[take for _, take in takes] for takes in lines.values()] == [[1, 2, 3]]
    assert not unsure


def test_one_number_on_two_days_is_not_proven_to_be_one_line():
    """Two folders may each have their own line of that name."""
    paths = [Path("day 1/kiln_t1.wav"), Path("day 2/kiln_t1.wav"), Path("day 2/river_t1.wav")]
    lines, _, unsure = group_takes({path: parse_name(path) for path in paths})
    assert list(lines) == ["kiln", "river"]
    assert unsure == {"kiln"}


def test_any_name_is_read_or_not_but_never_ends_the_program():
    """Seeded nonsense, long names and names of separators only."""
    rng = random.Random(5)
    signs = string.ascii_letters + string.digits + " ._-()[]#éß窯\udc80" + "ttttkk0123"
    for length in (1, 2, 5, 20, 250):
        for _ in range(200):
            parse_name("".join(rng.choice(signs) for _ in range(length)) + ".wav")


@pytest.mark.parametrize(
    ("text", "expected"),
    [("3", (3, "")), ("T03", (3, "")), ("take 3", (3, "")), ("3 PU", (3, "PU")), ("", (None, ""))],
)
def test_the_number_in_what_a_recorder_wrote(text: str, expected: tuple[int | None, str]):
    """Recorders write the number of a take as they like."""
    assert take_number(text) == expected
