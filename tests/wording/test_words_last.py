"""Sentences are made in ``wording`` only: the rooms below it hand on facts."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest

import vocheck
from vocheck.mix.results import IndependentReading, NoReading
from vocheck.policy.delivery import CheckNotice, CheckNoticeKind, check
from vocheck.policy.destinations import load_destinations
from vocheck.room import Notice
from vocheck.room.results import NoticeKind
from vocheck.wording import delivery, mix, room

PACKAGE = Path(vocheck.__file__).parent
CONTRACT = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text())["tool"]["importlinter"]
LAYERS = CONTRACT["contracts"][0]["layers"]
BELOW = frozenset(re.findall(r"\w+", " ".join(LAYERS[LAYERS.index("wording") + 1 :])))
SENTENCE = re.compile(r"[A-Z{][^\n]*\s[^\n]*\s[^\n]*[.?!]")
"""Three words or more, from a capital (or a field) to a full stop."""

MODULES = sorted(
    path
    for path in PACKAGE.rglob("*.py")
    if path.relative_to(PACKAGE).parts[0].removesuffix(".py") in BELOW
)


def text_of(node: ast.AST) -> str | None:
    """Return a string as it is written, a brace pair for each field; ``None`` for what is none."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(text_of(part) or "{}" for part in node.values)
    return None


def strings(node: ast.AST) -> Iterator[tuple[int, str]]:
    """Yield the strings of code that become part of a result: no docstrings, no errors."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Raise) or (
            isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant)
        ):
            continue
        text = text_of(child)
        if text is None:
            yield from strings(child)
        else:
            yield getattr(child, "lineno", 0), text


@pytest.mark.quick
def test_no_room_below_wording_composes_a_sentence() -> None:
    """A reader of a language other than English would have to translate one room only."""
    assert len(MODULES) > 100
    found = [
        f"{path.relative_to(PACKAGE)}:{line}: {text}"
        for path in MODULES
        for line, text in strings(ast.parse(path.read_text(encoding="utf-8")))
        if SENTENCE.fullmatch(text)
    ]
    assert not found, "\n".join(found)


@pytest.mark.parametrize("kind", get_args(NoticeKind))
def test_every_notice_of_a_room_has_its_sentence(kind: NoticeKind) -> None:
    """A kind without words would be found only by the room that has it."""
    said = room.notice_sentence(
        Notice(kind=kind, value=1.0, limit=2.0, path="clap.wav", time_s=0.5, quantity="T20")
    )
    assert len(said.split()) > 3
    assert "{" not in said


@pytest.mark.parametrize("kind", get_args(CheckNoticeKind))
def test_every_notice_of_a_check_has_its_sentence(kind: CheckNoticeKind) -> None:
    """So for the checks of a mix."""
    level = load_destinations()["ebu-r128"].level
    assert level is not None
    notice = CheckNotice(kind=kind, value=3.0, name="an encoder")
    said = delivery.reason(replace(check(level, -23.0), note="", notices=(notice,)))
    assert len(said.split()) > 3
    assert "{" not in said


@pytest.mark.parametrize("refusal", [None, *get_args(NoReading)])
def test_every_refusal_of_a_second_reading_has_its_sentence(refusal: NoReading | None) -> None:
    """So for the meter of others."""
    reading = IndependentReading(
        meter="a meter", integrated_lufs=None, difference_lu=None, refusal=refusal, reason="silence"
    )
    assert mix.reading_note(reading).endswith(".")
