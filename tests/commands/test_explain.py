"""``vocheck explain``: what it tells of a name."""

from __future__ import annotations

import pytest

from vocheck.cli import run
from vocheck.measurements import MEASUREMENTS, group_name
from vocheck.policy.limits import load_limits

SHARED = sorted({group_name(module) for module in MEASUREMENTS} & set(load_limits()))


def told(name: str, capsys: pytest.CaptureFixture[str]) -> str:
    assert run(["explain", name]) == 0
    return capsys.readouterr().out


@pytest.mark.parametrize("name", SHARED)
def test_a_measurement_is_not_hidden_by_a_finding_of_its_name(
    name: str, capsys: pytest.CaptureFixture[str]
):
    """Both are told: how it is measured, and from where on it is a finding."""
    text = told(name, capsys)
    assert "method" in text.lower()
    assert f"Finding {name}" in text


def test_some_names_are_shared():
    """The test above is about these at least."""
    assert {"hum", "reverberation", "sibilance", "clipping"} <= set(SHARED)


@pytest.mark.parametrize("name", load_limits())
def test_every_finding_is_told_with_its_numbers_and_sources(
    name: str, capsys: pytest.CaptureFixture[str]
):
    """Each threshold's severity and source stand there, and what to do now and later."""
    text = " ".join(told(name, capsys).split())
    rule = load_limits()[name]
    for threshold in rule.thresholds:
        assert f"{threshold.severity}: " in text
        assert f"({threshold.status}: " in text
    assert "In the booth: " in text
    assert "In the edit: " in text
