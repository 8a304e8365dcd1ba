"""One number of a vocheck.toml is changed: comments stay, and nothing malformed is saved."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from vocheck.errors import TargetError
from vocheck.policy.edit_config import set_number, with_number
from vocheck.policy.every import Policy, load_policy
from vocheck.policy.numbers import numbers_of

OWN = """# of the studio
[session]
script = "script.txt"  # beside this file

[limits.noise_floor]  # our booth
fixable = -58.0  # since May
"""


def own(path: Path) -> dict[tuple[str, ...], float]:
    """Return the numbers that a studio has set."""
    return {n.path: n.value for n in numbers_of(load_policy(path)) if n.own}


@pytest.mark.quick
def test_a_number_is_changed_where_it_stands_and_comments_stay(tmp_path):
    """Another number, one more table, one deeper down: each is then the studio's own."""
    file = tmp_path / "vocheck.toml"
    file.write_text(OWN)
    set_number(file, ("limits", "noise_floor", "fixable"), -57.5)
    assert file.read_text() == OWN.replace("-58.0", "-57.5")
    set_number(file, ("limits", "plosive", "retake"), 3.0)
    set_number(file, ("drift", "pool", "takes"), 4.0)
    place = ("destinations", "social", "rules", "integrated_lufs", "maximum")
    set_number(file, place, -13.0)
    assert own(file) == {
        ("limits", "noise_floor", "fixable"): -57.5,
        ("limits", "plosive", "retake"): 3.0,
        ("drift", "pool", "takes"): 4.0,
        place: -13.0,
    }
    for comment in ("# of the studio", "# beside this file", "# our booth", "# since May"):
        assert comment in file.read_text()


def test_what_is_taken_out_counts_as_shipped_again(tmp_path):
    """The key goes, and a table that held nothing else; what was never there is no fault."""
    file = tmp_path / "vocheck.toml"
    file.write_text(OWN)
    set_number(file, ("limits", "noise_floor", "fixable"), None)
    assert own(file) == {}
    assert "limits" not in tomllib.loads(file.read_text())
    assert 'script = "script.txt"  # beside this file' in file.read_text()
    before = file.read_text()
    set_number(file, ("limits", "plosive", "retake"), None)
    assert file.read_text() == before


def test_a_number_with_a_source_of_its_own_keeps_it():
    """Only the value of the inline table is another."""
    text = '[limits.hum]\nnote = { value = -50, source = "Ida", status = "our choice" }  # why\n'
    assert with_number(text, ("limits", "hum", "note"), -51.5, "x") == text.replace("-50", "-51.5")


@pytest.mark.parametrize(
    ("text", "place", "value", "message"),
    [
        ("[limits", ("limits", "hum", "note"), 1.0, "is no TOML"),
        ("limits = 3\n", ("limits", "hum", "note"), 1.0, "limits is no table"),
        ("", ("headroom", "test_read", "tolerance_db"), -1.0, "tolerance_db"),
        ("[limits.hum]\nfixabel = 1\n", ("limits", "hum", "note"), 1.0, "fixabel"),
    ],
)
def test_what_would_be_malformed_is_not_saved(tmp_path, text, place, value, message):
    """One line with the name of the file, and the file stays as it is."""
    file = tmp_path / "vocheck.toml"
    file.write_text(text)
    with pytest.raises(TargetError, match=message) as told:
        set_number(file, place, value)
    assert str(file) in str(told.value)
    assert file.read_text() == text


def test_every_number_is_listed_once_with_source_and_status():
    """As shipped none is a studio's own, and each says on whose word it stands."""
    numbers = numbers_of(Policy())
    assert len({n.path for n in numbers}) == len(numbers) > 300
    assert not any(n.own for n in numbers)
    assert all(n.source and n.status for n in numbers)


def test_every_number_that_is_listed_can_be_set(tmp_path):
    """Each section once, with the number that it has: the settings are understood."""
    seen = set()
    for number in numbers_of(Policy()):
        kind = (number.path[0], number.path[-1])
        if kind in seen:
            continue
        seen.add(kind)
        file = tmp_path / "vocheck.toml"
        file.unlink(missing_ok=True)
        set_number(file, number.path, number.value)
        assert own(file) == {number.path: number.value}, number.path


@pytest.mark.parametrize("text", ["", "# of the studio\n", "[session]\nscript = 'a.txt'\n"])
def test_a_number_that_is_taken_out_again_leaves_nothing(text: str):
    """The settings are what they were, to the byte."""
    place = ("limits", "clipping", "retake")
    assert with_number(with_number(text, place, 5.0, "x"), place, None, "x") == text
