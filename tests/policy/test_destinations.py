"""The delivery targets: numbers, provenance, loading, a studio's own."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from dataclasses import replace
from datetime import date
from importlib.resources import files
from pathlib import Path

import pytest

from vocheck.errors import TargetError
from vocheck.policy.config import load_config
from vocheck.policy.destinations import (
    ENCODERS,
    FACTS,
    FAMILIES,
    LEVELS,
    find_destinations,
    load_destinations,
)
from vocheck.policy.rule import STATUSES
from vocheck.wording.delivery import wanted

# Loudness (or RMS, or active level) and true peak of the sources that the destinations name. `read`
# and `unconfirmed` in their tables say whether a source was looked up; the numbers stand here a
# second time so that none of them moves unseen.
PUBLISHED = {
    "ebu-r128": (-23.0, -1.0),
    "ebu-short": (-23.0, -1.0),
    "ebu-radio": (-23.0, -1.0),
    "ebu-cinematic": (-23.0, -1.0),
    "uk-dpp": (-23.0, -3.0),
    "atsc-a85": (-24.0, -2.0),
    "atsc-short": (-24.0, -2.0),
    "itu-bs1864": (-24.0, -2.0),
    "au-op59": (-24.0, -2.0),
    "jp-arib": (-24.0, -1.0),
    "cn-tv": (-24.0, -2.0),
    "social-cn": (-15.0, -1.0),
    "online-cn-quiet": (-24.0, -1.0),
    "aes-speech": (-18.0, -1.0),
    "aes-streaming": (-18.0, -1.0),
    "aes-interstitial": (-18.0, -1.0),
    "aes-music": (-16.0, -1.0),
    "prss": (-24.0, -2.0),
    "podcast-apple": (-16.0, -1.0),
    "spotify": (-14.0, -1.0),
    "spotify-ad": (-14.0, -1.0),
    "alexa": (-14.0, -2.0),
    "netflix": (-27.0, -2.0),
    "amazon-mgm": (-27.0, -2.0),
}

NOTHING_PUBLISHED = (
    *("youtube", "instagram", "facebook", "tiktok", "linkedin", "x", "vimeo", "snapchat", "web"),
    *("pinterest", "threads", "in-store"),
    "podcast-spotify",
)

ALL = list(load_destinations().values())


@pytest.mark.parametrize("name", PUBLISHED)
def test_the_published_numbers(name: str) -> None:
    """Level and true peak are those of the source, and judged as published."""
    destination = load_destinations()[name]
    assert destination.level is not None
    assert (destination.level.target, destination.peak_dbtp) == PUBLISHED[name]
    assert destination.level.status in ("published standard", "published by the platform")


@pytest.mark.parametrize(
    ("name", "fact", "low", "high"),
    [
        ("ebu-streaming", "integrated_lufs", -20.0, -16.0),  # EBU R 128 s2
        ("atsc-streaming", "integrated_lufs", -27.0, -23.0),  # ATSC A/85:2026-07
        ("audiobook", "rms_dbfs", -23.0, -18.0),  # ACX
        ("audiobook", "floor_dbfs", None, -60.0),
        ("audiobook", "level_dbtp", None, -3.0),
        ("telephony", "active_dbfs", -28.0, -16.0),  # RFC 7874: RMS 2600 of 32767, +-6 dB
        ("ebu-short", "short_term_max_lufs", None, -18.0),  # EBU R 128 s1
        ("alexa", "integrated_lufs", -19.0, -9.0),
        ("accessible", "voice_to_bed_lu", 20.0, None),  # WCAG 1.4.7
        ("mix", "voice_to_bed_lu", 10.0, None),  # Torcoli et al. 2019
        ("lossy-distribution", "level_dbtp", None, -2.0),  # EBU Tech 3344
    ],
)
def test_the_published_ranges(name: str, fact: str, low: float | None, high: float | None) -> None:
    """Where a source gives bounds rather than a level, they are those bounds."""
    rule = load_destinations()[name].rule(fact)
    assert rule is not None
    assert (rule.minimum, rule.maximum) == (low, high)


@pytest.mark.parametrize("name", NOTHING_PUBLISHED)
def test_where_nothing_is_published_nothing_is_judged(name: str) -> None:
    """A platform that publishes no loudness carries a rule of thumb, marked as such."""
    destination = load_destinations()[name]
    for fact in ("integrated_lufs", "level_dbtp"):
        rule = destination.rule(fact)
        assert rule is not None
        assert rule.status == "common practice, no source"
        assert not rule.judged
    assert not destination.publishes_level


def test_our_own_defaults_say_so() -> None:
    """What vocheck chose for want of a published number is called our choice."""
    for name in ("social", "podcast", "mix"):
        destination = load_destinations()[name]
        assert destination.status == "our choice"


@pytest.mark.parametrize("destination", ALL, ids=lambda d: d.name)
def test_every_number_has_its_provenance(destination) -> None:
    """Source and status stand beside every rule; numbers are ordered; gaps we filled exist."""
    assert destination.title
    for rule in destination.rules:
        assert rule.source, rule.fact
        assert rule.status in STATUSES
        numbers = [rule.minimum, rule.warn_below, rule.target, rule.warn_above, rule.maximum]
        given = [number for number in numbers if number is not None]
        assert given == sorted(given)
        assert all(getattr(rule, name) is not None for name in rule.our_choice)
        if rule.fact in ("codec", "container"):
            assert rule.one_of is not None
    if destination.encoding is not None:
        assert destination.encoding.codec in ENCODERS
    assert sum(rule.fact in LEVELS for rule in destination.rules) <= 1


def test_every_family_is_listed_once() -> None:
    """All TOML files are loaded, and no name stands in two of them."""
    folder = Path(str(files("vocheck.policy").joinpath("families")))
    assert {path.stem for path in folder.glob("*.toml")} == set(FAMILIES)
    names = [
        name
        for family in FAMILIES
        for name in tomllib.loads((folder / f"{family}.toml").read_text(encoding="utf-8"))
    ]
    assert sorted(names) == sorted(load_destinations())


def test_second_hand_numbers_are_marked() -> None:
    """Where the source itself was not read, the rule says unconfirmed."""
    known = load_destinations()
    for name in ("ebu-r128", "ebu-short", "audiobook", "netflix", "snapchat-ads", "aes-streaming"):
        level = known[name].level
        assert level is not None
        assert level.unconfirmed, name
    for name in ("spotify", "alexa", "spotify-ad", "prss"):
        level = known[name].level
        assert level is not None
        assert not level.unconfirmed, name


@pytest.mark.parametrize(
    ("asked", "offered"),
    [("you-tube", "youtube"), ("YouTube", "youtube"), ("ebu", "ebu-r128"), ("netflx", "netflix"),
     ("ebu_short", "ebu-short")],
)  # fmt: skip
def test_an_unknown_name_offers_the_closest(asked: str, offered: str) -> None:
    """The message names what was asked and offers what may have been meant."""
    with pytest.raises(
        TargetError, match=f"{asked}: no such destination; did you mean .*{offered}"
    ):
        find_destinations([asked])


def test_an_unlike_name_points_to_the_list() -> None:
    """A name like no other is answered by the command that lists them."""
    with pytest.raises(TargetError, match="vocheck targets"):
        find_destinations(["qqqq"])


def studio(tmp_path: Path, text: str):
    path = tmp_path / "vocheck.toml"
    path.write_text(text, encoding="utf-8")
    return load_config(path)


def test_a_studio_adds_a_destination(tmp_path: Path) -> None:
    """A destination of a vocheck.toml is found beside the shipped ones."""
    config = studio(
        tmp_path,
        """
        [destinations.client]
        title = "The client"
        source = "Delivery specification, page 4"
        status = "published by the platform"
        [destinations.client.rules.integrated_lufs]
        target = -20.0
        minimum = -21.0
        maximum = -19.0
        """,
    )
    (client,) = find_destinations(["client"], config)
    assert client.family == "studio"
    assert client.level is not None
    assert wanted(client.level) == "-20.0 LUFS (-21.0 to -19.0)"
    assert client.level.source == "Delivery specification, page 4"
    assert "social" in load_destinations(config)


def test_a_studio_changes_one_number(tmp_path: Path) -> None:
    """What a studio leaves alone keeps the shipped source; what it changes is the studio's."""
    config = studio(tmp_path, "[destinations.ebu-short.rules.level_dbtp]\nmaximum = -3.0\n")
    (short,) = find_destinations(["ebu-short"], config)
    peak, level = short.rule("level_dbtp"), short.level
    assert peak is not None
    assert level is not None
    assert peak.maximum == -3.0
    assert peak.status == "our choice"
    assert peak.source.endswith("vocheck.toml")
    assert level.source == "EBU R 128 s1, version 3"
    assert level.status == "published standard"


def test_a_studio_starts_from_a_shipped_one(tmp_path: Path) -> None:
    """`like` copies a destination; a level of another kind replaces its level."""
    config = studio(
        tmp_path,
        """
        [destinations.series]
        like = "netflix"
        title = "The series"
        [destinations.series.rules.integrated_lufs]
        target = -24.0
        """,
    )
    (series,) = find_destinations(["series"], config)
    assert series.level is not None
    assert series.level.fact == "integrated_lufs"
    assert series.rule("dialogue_lufs") is None
    assert series.peak_dbtp == -2.0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[destinations.a]\nstatus='our choice'\nrule=1", "'rule'; did you mean 'rules'"),
        ("[destinations.a]\nstatus='sure'", "status must be one of"),
        ("[destinations]\na=1", "must be a table"),
        ("[destinations.a]\nlike='nope'", "no shipped destination"),
        ("[destinations.a.rules.loudness]\ntarget=1", "unknown key 'loudness'"),
        ("[destinations.a.rules.integrated_lufs]\ntarget='loud'", "must be a number, not 'loud'"),
        ("[destinations.a.rules.integrated_lufs]\ntarget=true", "must be a number"),
        ("[destinations.a.rules.integrated_lufs]\ntarget=nan", "must be a number"),
        ("[destinations.a.rules.integrated_lufs]\nmaximum=1", "needs a target"),
        ("[destinations.a.rules.codec]\nnote='x'", "needs a number or one_of"),
        ("[destinations.a.rules.codec]\none_of=[]", "one_of must be a list"),
        ("[destinations.a.rules.codec]\none_of=['AAC']\nseverity='bad'", "severity must be one of"),
        ("[destinations.a.encoding]\ncodec='atrac'\nbitrate_kbps=1", "codec must be one of"),
        ("[destinations.a.ingest]\nturns_up='maybe'", "turns_up must be one of"),
        (
            "[destinations.a.rules.integrated_lufs]\ntarget=1\n"
            "[destinations.a.rules.rms_dbfs]\ntarget=1",
            "only one of",
        ),
    ],
)  # fmt: skip
def test_a_malformed_destination_is_told(tmp_path: Path, text: str, message: str) -> None:
    """One line that names the file and the key."""
    with pytest.raises(TargetError, match=message) as error:
        load_destinations(studio(tmp_path, text))
    assert "vocheck.toml" in str(error.value)
    assert "\n" not in str(error.value)


def test_results_are_plain() -> None:
    """A destination turns into JSON-ready data under its field names."""
    plain = load_destinations()["youtube"].to_dict()
    assert plain["name"] == "youtube"
    assert {rule["fact"] for rule in plain["rules"]} <= set(FACTS)
    assert plain["ingest"]["turns_up"] == "no"


def test_every_encoder_can_be_tried() -> None:
    """The codecs that a destination may name are those that can be tried."""
    from vocheck.audio.codecs import CODECS

    assert set(ENCODERS) == set(CODECS)


def test_loading_is_light() -> None:
    """The destinations load without numpy, for the commands that only list them."""
    code = (
        "import sys; from vocheck.policy.destinations import load_destinations; "
        "load_destinations(); sys.exit('numpy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_facts_are_shown_and_judged_with_the_decimals_that_they_have() -> None:
    """Counts, rates and bits are whole; a correlation and a start have two decimals."""
    whole = {
        "leq_m_db", "foreign_stems", "silent_channels", "damaged", "rate_hz", "bits", "channels",
        "bitrate_kbps",
    }  # fmt: skip
    finer = {"correlation", "stem_lag_s"}
    for name, fact in FACTS.items():
        assert fact.decimals == (0 if name in whole else 2 if name in finer else 1), name
        assert fact.what[0].isupper()


def test_what_is_asked_in_words(tmp_path: Path) -> None:
    """A target with its bounds, a bound alone, what is accepted; whole seconds without decimals."""
    text = """
        [destinations.a.rules]
        integrated_lufs = {target = -20.0}
        level_dbtp = {maximum = -1.0}
        correlation = {minimum = 0.25}
        head_s = {minimum = 1.0, maximum = 2.5}
        duration_s = {maximum = 30.0}
        codec = {one_of = ["AAC", "PCM"]}
        rate_hz = {one_of = [44100, 48000]}
        channels = {target = 2.0, warn_above = 2.0, maximum = 6.0}
    """
    (a,) = find_destinations(["a"], studio(tmp_path, text))
    assert {rule.fact: wanted(rule) for rule in a.rules} == {
        "integrated_lufs": "-20.0 LUFS",
        "level_dbtp": "at most -1.0 dBTP",
        "correlation": "at least 0.25",
        "head_s": "1 to 2.5 s",
        "duration_s": "at most 30 s",
        "rate_hz": "44100 or 48000 Hz",
        "channels": "2 (at most 2)",
        "codec": "AAC or PCM",
    }
    assert [rule.fact for rule in a.rules] == [fact for fact in FACTS if a.rule(fact)]
    assert a.title == a.name == "a"
    assert not a.unconfirmed
    assert not any(rule.unconfirmed for rule in a.rules)


def test_one_channel_is_read_as_a_standard_or_a_studio_does(tmp_path: Path) -> None:
    """Published: counted once; a studio's own: once; a rule of thumb: from two speakers."""
    known = load_destinations(
        studio(
            tmp_path,
            """
            [destinations.client.rules.integrated_lufs]
            target = -20.0
            [destinations.peaks.rules.level_dbtp]
            maximum = -1.0
            [destinations.both]
            one_channel = {reading = "two speakers", note = "As they say."}
            rules.integrated_lufs = {target = -20.0}
            [destinations.netflix.rules.level_dbtp]
            maximum = -3.0
            [destinations.youtube.rules.level_dbtp]
            maximum = -3.0
            """,
        )
    )
    standard = known["ebu-r128"].one_channel
    assert standard.reading == "one channel"
    assert standard.source.startswith("ITU-R BS.1770")
    assert standard.status == "published standard"
    for name in ("client", "peaks"):
        assert known[name].one_channel.reading == "one channel"
        assert known[name].one_channel.note == "As the studio's meter counts it."
    assert known["both"].counts_two_speakers
    assert known["both"].one_channel.note == "As they say."
    # A number of the studio's own does not change how the destination counts.
    assert known["youtube"].counts_two_speakers
    assert known["youtube"].one_channel.note.startswith("Nobody publishes")
    assert not known["netflix"].counts_two_speakers
    assert load_destinations()["youtube"].one_channel.source == "vocheck"


def test_a_studio_lays_its_tables_over_the_shipped_ones(tmp_path: Path) -> None:
    """What it names is its own, with its own word; what it leaves keeps the shipped numbers."""
    config = studio(
        tmp_path,
        """
        [destinations.ebu-short]
        source = "Our sheet"
        date = "2026"
        [destinations.ebu-short.rules.level_dbtp]
        warn_above = -2.0
        [destinations.ebu-short.ingest]
        turns_down = "yes"
        to_lufs = -23.0
        """,
    )
    shipped, own = load_destinations()["ebu-short"], load_destinations(config)["ebu-short"]
    assert (own.source, own.date, own.status) == ("Our sheet", "2026", "our choice")
    peak = own.rule("level_dbtp")
    assert (peak.maximum, peak.warn_above) == (shipped.rule("level_dbtp").maximum, -2.0)
    assert (peak.source, peak.date) == ("Our sheet", "2026")
    assert own.level == shipped.level
    assert (own.ingest.turns_down, own.ingest.turns_up) == ("yes", shipped.ingest.turns_up)
    assert (own.ingest.to_lufs, own.ingest.source, own.ingest.unconfirmed) == (
        -23.0, "Our sheet", False,
    )  # fmt: skip
    assert own.encoding == shipped.encoding
    assert [rule.fact for rule in own.rules] == [rule.fact for rule in shipped.rules]
    assert own.family == "studio"


@pytest.mark.parametrize(
    ("read", "today", "stale"),
    [
        ("2025-11", "2026-11", False), ("2025-10", "2026-11", True), ("2025-12", "2026-01", False),
        ("2024-12", "2026-01", True), ("", "2026-11", False), ("2026-12", "2026-11", False),
    ],
)  # fmt: skip
def test_a_source_read_more_than_a_year_ago_may_have_changed(
    read: str, today: str, stale: bool
) -> None:
    """Twelve months are still fresh; where nobody looked nothing is said."""
    destination = replace(load_destinations()["social"], read=read)
    assert destination.is_stale(date.fromisoformat(f"{today}-15")) is stale


@pytest.mark.parametrize("read", ["2026-13", "2026-00", "26-11", "2026-1", "soon"])
def test_the_month_of_reading_is_a_month(tmp_path: Path, read: str) -> None:
    """Anything else is refused."""
    with pytest.raises(TargetError, match="read must be a month"):
        load_destinations(studio(tmp_path, f"[destinations.a]\nread = '{read}'\n"))


def test_the_numbers_of_a_rule_lie_on_their_sides() -> None:
    """Lower bounds below, upper ones above; the warning of loud programmes only for those."""
    rule = load_destinations()["ebu-r128"].level
    below, above = replace(rule, minimum=-24.0, warn_below=-23.5, warn_above=-22.5).rules
    assert (below.sense, above.sense) == ("below", "above")
    assert [(t.severity, t.value) for t in below.thresholds] == [
        ("fixable", -23.5), ("retake", -24.0),
    ]  # fmt: skip
    assert [t.severity for t in above.thresholds] == ["fixable", "retake"]
    assert below.only_if == above.only_if == ()
    advice = replace(rule, minimum=None, warn_below=None, warn_above=None, severity="warn")
    (above,) = advice.rules
    assert [t.severity for t in above.thresholds] == ["fixable"]
    loud = load_destinations()["spotify"].rule("level_dbtp").rules[-1]
    assert [condition.value for condition in loud.only_if] == [-14.0]
    assert load_destinations()["spotify"].rule("nothing") is None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "[destinations.a.rules.level_dbtp]\nmaximum=-1\nalternative='sample_peak_dbfs'",
            "alternative must name another rule",
        ),
        (
            "[destinations.a.rules.level_dbtp]\nmaximum=-1\nour_choice=['minimum']",
            "our_choice names no number",
        ),
        (
            "[destinations.a.rules.level_dbtp]\nmaximum=-1\nour_choice=['note']",
            "our_choice names no number",
        ),
        ("[destinations.a]\nlike=3", "like must be"),
    ],
)
def test_what_names_nothing_is_refused(tmp_path: Path, text: str, message: str) -> None:
    """An alternative, a number of our own, a destination to start from."""
    with pytest.raises(TargetError, match=message):
        load_destinations(studio(tmp_path, text))


def test_each_destination_is_found_once_and_in_the_order_asked() -> None:
    """Named twice it is one; without overrides nothing is built twice."""
    found = find_destinations(["social", "ebu-r128", "social"])
    assert [destination.name for destination in found] == ["social", "ebu-r128"]
    assert load_destinations() is load_destinations()
    assert {destination.family for destination in ALL} == set(FAMILIES)
