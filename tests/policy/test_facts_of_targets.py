"""What single destinations ask, beside the page that says so, and how old that reading is."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from vocheck.errors import TargetError
from vocheck.policy.config import load_config
from vocheck.policy.delivery import check, forecast, settle
from vocheck.policy.destinations import load_destinations
from vocheck.report.text.targets import render_destination, render_destinations
from vocheck.wording.delivery import reason

KNOWN = load_destinations()

# Destination, fact, value, verdict; the source of each beside it.
FACTS_OF_PAGES = [
    # X, media best practices: 0.5 s to 20 min (125 min for paying accounts), AAC-LC only.
    ("x", "duration_s", 0.4, "fail"),
    ("x", "duration_s", 141.0, "pass"),
    ("x", "duration_s", 1200.0, "pass"),
    ("x", "duration_s", 1260.0, "warn"),
    ("x", "duration_s", 7560.0, "fail"),
    ("x", "profile", "LC", "pass"),
    ("x", "profile", "HE-AAC", "fail"),
    # Spotify Advertising, Audio ads specs: WAV, MP3 or OGG.
    ("spotify-ad", "codec", "Vorbis", "pass"),
    ("spotify-ad", "codec", "AAC", "fail"),
    # Free TV Australia OP-59: -24 LKFS +-1, as a report of ITU-R (BS.2434) quotes it.
    ("au-op59", "integrated_lufs", -23.0, "pass"),
    ("au-op59", "integrated_lufs", -25.1, "fail"),
    # ATSC A/85, which a state law applies to streamed adverts since July 2026: -24 +-2, -2 dBTP.
    ("streaming-ad", "integrated_lufs", -26.0, "pass"),
    ("streaming-ad", "integrated_lufs", -21.9, "fail"),
    ("streaming-ad", "level_dbtp", -1.9, "fail"),
    # A console maker's recommendation, from memory: -24 LUFS +-2, -1 dBTP.
    ("games", "integrated_lufs", -22.0, "pass"),
    ("games", "integrated_lufs", -26.1, "fail"),
    ("games", "level_dbtp", -0.9, "fail"),
    # Apple Podcasts, Audio requirements: no one-channel WAV or FLAC.
    ("podcast-apple", "channels", 1, "warn"),
    ("podcast-apple", "channels", 2, "pass"),
    # Video specifications of two platforms, from memory.
    ("pinterest", "duration_s", 901.0, "warn"),
    ("threads", "duration_s", 301.0, "warn"),
    ("threads", "rate_hz", 96000, "warn"),
    # Nobody publishes a number for shops.
    ("in-store", "integrated_lufs", -30.0, "not published"),
    ("pinterest", "integrated_lufs", -30.0, "not published"),
    ("threads", "integrated_lufs", -30.0, "not published"),
]


@pytest.mark.parametrize(("name", "fact", "value", "verdict"), FACTS_OF_PAGES)
def test_what_the_page_says(name: str, fact: str, value: float | str, verdict: str) -> None:
    """The rule judges a value as its page does."""
    rule = KNOWN[name].rule(fact)
    assert rule is not None
    assert check(rule, value).verdict == verdict


@pytest.mark.parametrize(
    "name",
    ["atsc-streaming", "aes-speech", "aes-streaming", "aes-interstitial", "aes-music",
     "itu-bs1864", "streaming-ad", "games", "pinterest", "threads"],
)  # fmt: skip
def test_what_is_doubtful_is_marked(name: str) -> None:
    """What was taken from transcriptions or from memory is called unconfirmed."""
    assert KNOWN[name].unconfirmed
    assert all(rule.unconfirmed for rule in KNOWN[name].rules if rule.judged)


@pytest.mark.parametrize("name", ["netflix-branded", "google-assistant"])
def test_what_is_no_delivery_rule_or_has_ended_is_gone(name: str) -> None:
    """Thresholds of a measurement programme, and a service that ended, are no targets."""
    assert name not in KNOWN


def test_the_title_of_a_rule_carries_no_brand() -> None:
    """The rule of a distributor is called that; its page stands under source."""
    assert KNOWN["audiobook"].title == "Audiobook, a distributor's rule"


@pytest.mark.parametrize(
    ("true_peak", "sample_peak", "verdict", "limiter"),
    [
        (-2.0, -2.5, "pass", 0.0),  # the true peak is met
        (-1.8, -3.0, "pass", 0.0),  # the sample peak is met
        (-1.8, -2.8, "fail", 0.2),  # neither is
        (-1.0, -2.9, "fail", 0.1),  # the sample peak is nearer to its limit
    ],
)
def test_public_radio_takes_either_peak(
    true_peak: float, sample_peak: float, verdict: str, limiter: float
) -> None:
    """prss.org/loudness: sample peak -3 dBFS *or* true peak -2 dBTP, by the meter used."""
    take = forecast(KNOWN["prss"], -24.0, true_peak, None, sample_peak_dbfs=sample_peak)
    assert take.verdict == take.verdict_after == verdict
    assert take.limiter_db == pytest.approx(limiter)


def test_an_alternative_that_is_met_says_so() -> None:
    """The rule that is beyond its limit passes, and tells by what."""
    rules = [KNOWN["prss"].rule(fact) for fact in ("level_dbtp", "sample_peak_dbfs")]
    given = [rule for rule in rules if rule is not None]
    by_true, by_sample = settle(given, map(check, given, (-1.5, -3.2)))
    assert by_true.verdict == by_sample.verdict == "pass"
    assert reason(by_true) == "Met by the other: sample peak at most -3.0 dBFS."
    untold, met = settle(given, map(check, given, (None, -3.2)))
    assert untold.verdict == met.verdict == "pass"


def test_every_shipped_destination_was_read() -> None:
    """The month is given, or the source says that it is from memory and unconfirmed."""
    for destination in KNOWN.values():
        if not destination.read:
            assert "from memory" in destination.source, destination.name
            assert destination.unconfirmed, destination.name


def test_what_was_read_more_than_a_year_ago_is_told() -> None:
    """Once for the list, marked in its line, and with the destination itself."""
    then, later = date(2027, 11, 30), date(2027, 12, 1)
    assert not KNOWN["x"].is_stale(then)
    assert KNOWN["x"].is_stale(later)
    fresh, old = (render_destinations(KNOWN.values(), day) for day in (then, later))
    dated = sum(bool(destination.read) for destination in KNOWN.values())
    assert "more than a year ago" not in fresh
    assert f"!: {dated} of these were read more than a year ago" in " ".join(old.split())
    (line,) = [line for line in old.splitlines() if line.startswith("  prss ")]
    assert " S! " in line
    assert "Read 2026-11, more than a year ago" in render_destination(KNOWN["x"], later)
    assert "  read 2026-11" in render_destination(KNOWN["x"], then)
    assert "year ago" not in render_destination(KNOWN["games"], later)


@pytest.mark.parametrize("read", ["'2026'", "'2026-13'", "'yesterday'", "202611"])
def test_a_month_that_is_none_is_refused(tmp_path: Path, read: str) -> None:
    """One line says what is wanted; a studio's destination may leave it out."""
    path = tmp_path / "vocheck.toml"
    path.write_text(f"[destinations.client]\nstatus='our choice'\nread={read}\n", encoding="utf-8")
    with pytest.raises(TargetError, match="read must be a "):
        load_destinations(load_config(path))
    path.write_text("[destinations.client]\nstatus='our choice'\n", encoding="utf-8")
    client = load_destinations(load_config(path))["client"]
    assert not client.is_stale(date(2099, 1, 1))


def test_an_alternative_names_a_rule(tmp_path: Path) -> None:
    """An alternative without a rule of its own is refused."""
    path = tmp_path / "vocheck.toml"
    path.write_text(
        "[destinations.client]\nstatus='our choice'\n[destinations.client.rules.level_dbtp]\n"
        "maximum=-2\nalternative='sample_peak_dbfs'\n",
        encoding="utf-8",
    )
    with pytest.raises(TargetError, match="alternative must name another rule"):
        load_destinations(load_config(path))
