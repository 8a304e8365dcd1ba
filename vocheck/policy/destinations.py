"""Delivery targets: where the sound goes, what is asked there, and on whose word.

The shipped destinations are the TOML files in ``vocheck/policy/families``. A studio adds its own,
or changes a shipped one, in a ``vocheck.toml`` (see `vocheck.policy.config`)::

    [destinations.our-client]
    like = "ebu-short"                       # optional: start from a shipped destination
    title = "The client's own specification"
    source = "Delivery specification, page 4"

    [destinations.our-client.rules.integrated_lufs]
    target = -24.0
    minimum = -25.0
    maximum = -23.0

Each destination has ``title``, ``source``, ``date``, ``url``, ``status``, ``unconfirmed``,
``note``, ``read`` and four kinds of tables. ``date`` is that of the document; ``read = "2026-11"``
is the month in which its source, or the copy of it that is named, was last looked up. After a year
`vocheck targets` says that it may have changed. Where nobody looked, there is no ``read``.

``[NAME.rules.FACT]``
    One rule about one fact (the names of `FACTS`): ``target`` is the value to aim at; outside
    ``minimum`` .. ``maximum`` is a *fail*, outside ``warn_below`` .. ``warn_above`` a *warn*;
    ``one_of`` lists what is accepted. ``severity = "warn"`` softens a rule that its source calls a
    recommendation; ``when = "encoded"`` leaves a master that is still to be encoded alone.
    ``loud_from_lufs`` and ``loud_warn_above`` set a lower warning for programmes louder than that.
    ``our_choice`` names the numbers of the rule that the source leaves open and vocheck filled in.
    ``alternative = FACT`` names another rule of the destination: where one of the two is met, both
    are. ``containers`` lists the file types that the rule is for, where it is not for all.
``[NAME.encoding]``
    The codec and bit rate the destination makes of the sound, for predicting the true peak.
``[NAME.ingest]``
    Whether it turns the sound down or up: ``"yes"``, ``"no"`` or ``"not published"``.
``[NAME.one_channel]``
    How the loudness of a one-channel file is read there: ``reading = "one channel"`` as ITU-R
    BS.1770 counts it, or ``"two speakers"``, as it is heard from both, which is 3.01 LU more. Where
    the table is left out, it is the former for a loudness that is published and for a studio's own
    destinations, and the latter where nobody publishes one.

Rules and tables inherit ``source``, ``date``, ``url``, ``status`` and ``unconfirmed`` from their
destination. A status is one of the four words of `STATUSES`. A number with the status *common
practice, no source* is shown as a working value and never judged: its verdict is *not published*.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date as Day
from functools import cache, cached_property
from typing import Any, Literal, TypeVar, get_args

from vocheck.errors import TargetError
from vocheck.policy.config import Config
from vocheck.policy.loader import (
    Table,
    as_table,
    build,
    convert,
    key_path,
    refuse_unknown,
    shipped,
    shown,
)
from vocheck.policy.rule import Condition, Rule, Sense, Status, Threshold
from vocheck.policy.rule import Severity as RuleSeverity
from vocheck.results import Result

Severity = Literal["warn", "fail"]
_SEVERITIES: Mapping[Severity, RuleSeverity] = {"warn": "fixable", "fail": "retake"}
"""What a destination's words are on the one scale of rules."""
When = Literal["always", "encoded"]
Answer = Literal["yes", "no", "not published"]
Codec = Literal["aac", "mp3", "opus", "mulaw"]
Reading = Literal["one channel", "two speakers"]
T = TypeVar("T")

FAMILIES = ("mix", "social", "broadcast", "listening")
"""The shipped files, in the order in which the destinations are listed."""

ANY_MIX = "mix"
"""What every final mix is held to, wherever it goes."""

DEFAULT_DESTINATION = "social"

PUBLISHED: tuple[Status, ...] = ("published standard", "published by the platform")

RULE_OF_THUMB: Status = "common practice, no source"

FRESH_MONTHS = 12
"""A platform's page read longer ago than this may have changed: our choice."""


@dataclass(frozen=True)
class Fact:
    """What a rule can be about.

    Attributes
    ----------
    what : str
        In words.
    unit : str
    decimals : int
        Decimals shown. A value is judged as it is shown, so that no reader sees -22.8 fail a limit
        of -22.8.
    """

    what: str
    unit: str
    decimals: int = 1


FACTS: Mapping[str, Fact] = {
    "integrated_lufs": Fact("Loudness", "LUFS"),
    "dialogue_lufs": Fact("Loudness of the dialogue", "LUFS"),
    "rms_dbfs": Fact("RMS level", "dBFS"),
    "active_dbfs": Fact("Active speech level", "dBFS"),
    "leq_m_db": Fact("Loudness in the cinema", "dB Leq(m)", 0),
    "level_dbtp": Fact("True peak", "dBTP"),
    "sample_peak_dbfs": Fact("Sample peak", "dBFS"),
    "short_term_max_lufs": Fact("Loudest 3 s", "LUFS"),
    "momentary_max_lufs": Fact("Loudest 0.4 s", "LUFS"),
    "range_lu": Fact("Loudness range", "LU"),
    "floor_dbfs": Fact("Noise floor", "dBFS"),
    "digital_silence_s": Fact("Digital silence", "s"),
    "voice_to_bed_lu": Fact("Voice over bed", "LU"),
    "foreign_stems": Fact("Stems that are not in the mix", "", 0),
    "stem_lag_s": Fact("Start of a stem against the mix", "s", 2),
    "stem_gain_db": Fact("Voice against bed in the stems, less that in the mix", "dB"),
    "loudness_to_dialogue_lu": Fact("Loudness over dialogue", "LU"),
    "encoded_dbtp": Fact("True peak after encoding", "dBTP"),
    "mono_fold_down_lu": Fact("Change when played in mono", "LU"),
    "correlation": Fact("Correlation of the sides", "", 2),
    "balance_db": Fact("Difference between the sides", "dB"),
    "silent_channels": Fact("Silent channels", "", 0),
    "missing_s": Fact("Missing at the end", "s"),
    "damaged": Fact("Damaged places", "", 0),
    "length": Fact("Length in the header", ""),
    "head_s": Fact("Silence before", "s"),
    "tail_s": Fact("Silence after", "s"),
    "duration_s": Fact("Duration", "s"),
    "rate_hz": Fact("Sample rate", "Hz", 0),
    "bits": Fact("Bit depth", "bit", 0),
    "channels": Fact("Channels", "", 0),
    "container": Fact("File type", ""),
    "codec": Fact("Codec", ""),
    "profile": Fact("AAC profile", ""),
    "bitrate_kbps": Fact("Bit rate", "kb/s", 0),
}
"""Every fact a rule can be about, by its name in the results; in the order of a report."""

NUMBERS = (
    "target",
    "minimum",
    "maximum",
    "warn_below",
    "warn_above",
    "loud_from_lufs",
    "loud_warn_above",
)
"""The numbers of a rule."""

LEVELS = ("integrated_lufs", "dialogue_lufs", "rms_dbfs", "active_dbfs")
"""The facts that a gain can bring to a target; a destination has exactly one of them."""


@dataclass(frozen=True, kw_only=True)
class Requirement(Result):
    """What one destination asks of one fact.

    Attributes
    ----------
    fact : str
        A name of `FACTS`.
    target : float or None
        The value to aim at.
    minimum, maximum : float or None
        Outside of them the rule's `severity` holds.
    warn_below, warn_above : float or None
        Outside of them it is at least a warning.
    loud_from_lufs, loud_warn_above : float or None
        For a programme louder than `loud_from_lufs`, a value above `loud_warn_above` is a warning.
    one_of : tuple or None
        The accepted values.
    severity : {"fail", "warn"}
    when : {"always", "encoded"}
        Whether the rule also holds for a master that is still to be encoded.
    our_choice : tuple of str
        Which of the numbers above are vocheck's own, where the source gives none.
    alternative : str or None
        The fact of another rule of the destination: where one of the two is met, both are.
    containers : tuple of str
        The file types that the rule is for; empty where it is for all.
    note, source, date, url : str
    status : str
        One of `STATUSES`.
    unconfirmed : bool
        True where the number was read second-hand or not looked up again.
    """

    fact: str
    target: float | None = None
    minimum: float | None = None
    maximum: float | None = None
    warn_below: float | None = None
    warn_above: float | None = None
    loud_from_lufs: float | None = None
    loud_warn_above: float | None = None
    one_of: tuple[int | float | str, ...] | None = None
    severity: Severity = "fail"
    when: When = "always"
    our_choice: tuple[str, ...] = ()
    alternative: str | None = None
    containers: tuple[str, ...] = ()
    note: str = ""
    source: str
    date: str
    url: str
    status: Status
    unconfirmed: bool = False

    @property
    def judged(self) -> bool:
        """Whether the rule can fail a file; a rule of thumb is only shown."""
        return self.status != RULE_OF_THUMB

    @cached_property
    def rules(self) -> tuple[Rule, ...]:
        """The numbers that a value is held against, as rules; each has those of one side."""
        below = self._rule("below", warn_below="warn", minimum=self.severity)
        above = self._rule("above", warn_above="warn", maximum=self.severity)
        loud = self._rule("above", loud_warn_above="warn")
        if self.loud_from_lufs is not None:
            condition = Condition("integrated_lufs", "above", self.loud_from_lufs)
            loud = replace(loud, only_if=(condition,))
        return tuple(rule for rule in (below, above, loud) if rule.thresholds)

    def _rule(self, sense: Sense, **numbers: Severity) -> Rule:
        return Rule(
            name=self.fact,
            fact=self.fact,
            unit=FACTS[self.fact].unit,
            sense=sense,
            thresholds=tuple(
                Threshold(
                    _SEVERITIES[severity],
                    value,
                    self.source,
                    "our choice" if name in self.our_choice else self.status,
                )
                for name, severity in numbers.items()
                if (value := getattr(self, name)) is not None
            ),
        )

    @property
    def lowest(self) -> float | None:
        """The lowest number that passes without a warning."""
        return _first(self.warn_below, self.minimum)

    @property
    def highest(self) -> float | None:
        """The highest number that passes without a warning."""
        return _first(self.warn_above, self.maximum)


@dataclass(frozen=True, kw_only=True)
class Encoding(Result):
    """What a destination makes of the sound; the encoder itself is never known.

    Attributes
    ----------
    codec : {"aac", "mp3", "opus", "mulaw"}
    bitrate_kbps : int
    note, source, date, url, status, unconfirmed
        As in `Requirement`.
    """

    codec: Codec
    bitrate_kbps: int
    note: str = ""
    source: str
    date: str
    url: str
    status: Status
    unconfirmed: bool = False


@dataclass(frozen=True, kw_only=True)
class Ingest(Result):
    """What a destination does with the level of what it is sent.

    Attributes
    ----------
    turns_down, turns_up : {"yes", "no", "not published"}
    to_lufs : float or None
        The loudness that it brings the sound to, where known.
    up_to_dbtp : float or None
        The true peak at which turning up stops.
    text : str
        In words.
    source, date, url, status, unconfirmed
        As in `Requirement`.
    """

    turns_down: Answer = "not published"
    turns_up: Answer = "not published"
    to_lufs: float | None = None
    up_to_dbtp: float | None = None
    text: str = ""
    source: str
    date: str
    url: str
    status: Status
    unconfirmed: bool = False


@dataclass(frozen=True, kw_only=True)
class OneChannel(Result):
    """How a destination reads the loudness of a one-channel file.

    Attributes
    ----------
    reading : {"one channel", "two speakers"}
        As ITU-R BS.1770 counts one channel, or 3.01 LU more, as heard from two speakers.
    note, source, date, url, status, unconfirmed
        As in `Requirement`.
    """

    reading: Reading
    note: str = ""
    source: str
    date: str
    url: str
    status: Status
    unconfirmed: bool = False


@dataclass(frozen=True, kw_only=True)
class Destination(Result):
    """A place the sound goes to.

    Attributes
    ----------
    name : str
        As in ``--to NAME``.
    title : str
    family : str
        The file it stands in, or ``"studio"`` for one of a ``vocheck.toml``.
    note, source, date, url, status, unconfirmed
        As in `Requirement`; the rules carry their own where it differs.
    read : str
        The month in which the source, or the copy of it that is named, was last looked up
        (``"2026-11"``); empty where nobody looked, or a studio does not say.
    rules : tuple of Requirement
        In the order of `FACTS`.
    encoding : Encoding or None
    ingest : Ingest or None
    one_channel : OneChannel
    """

    name: str
    title: str
    family: str
    note: str = ""
    source: str
    date: str
    url: str
    status: Status
    unconfirmed: bool = False
    read: str = ""
    rules: tuple[Requirement, ...]
    encoding: Encoding | None = None
    ingest: Ingest | None = None
    one_channel: OneChannel

    def is_stale(self, today: Day) -> bool:
        """Return whether the source was read more than a year before a day."""
        if not self.read:
            return False
        year, month = map(int, self.read.split("-"))
        return (today.year - year) * 12 + today.month - month > FRESH_MONTHS

    def rule(self, fact: str) -> Requirement | None:
        """Return the rule about a fact, if there is one."""
        return next((rule for rule in self.rules if rule.fact == fact), None)

    @property
    def level(self) -> Requirement | None:
        """The rule that a gain is computed for: loudness, or RMS, or active speech level."""
        return next((rule for rule in self.rules if rule.fact in LEVELS), None)

    @property
    def peak_dbtp(self) -> float | None:
        """The highest true peak that passes without a warning."""
        rule = self.rule("level_dbtp")
        return None if rule is None else rule.highest

    @property
    def counts_two_speakers(self) -> bool:
        """Whether a one-channel file is read here as heard from two speakers."""
        return self.one_channel.reading == "two speakers"

    @property
    def publishes_level(self) -> bool:
        """Whether there is a level number here that a file can be judged by."""
        return self.level is None or self.level.judged


Destinations = Mapping[str, Destination]

_PROVENANCE = ("source", "date", "url", "status", "unconfirmed")

ENCODERS: tuple[Codec, ...] = get_args(Codec)
"""The codecs that `vocheck.audio.codecs` can try."""


@dataclass(frozen=True, kw_only=True)
class _Table:
    """The table of one destination, as it stands in a file."""

    title: str | None = None
    note: str = ""
    rules: Any = None
    encoding: Any = None
    ingest: Any = None
    one_channel: Any = None
    source: str = ""
    date: str = ""
    read: str = ""
    url: str = ""
    status: Status
    unconfirmed: bool = False


def load_destinations(config: Config | None = None) -> Destinations:
    """Return every destination by name: the shipped ones, and a studio's own.

    Raises
    ------
    TargetError
        If a studio's destination is malformed; the message names the file, the table and the key.
    """
    shipped = _shipped()
    overrides = config.section("destinations") if config is not None else {}
    if config is None or not overrides:
        return shipped
    tables = _shipped_tables()
    merged = dict(shipped)
    for name, override in overrides.items():
        where = f"{config.path}: {key_path('destinations', name)}"
        override = as_table(override, where)
        own = {key: value for key, value in override.items() if key != "like"}
        like = override.get("like", name if name in tables else None)
        if like is not None and convert(str, like, f"{where}: like") not in tables:
            raise TargetError(
                f"{where}: like = {shown(like)} is no shipped destination; {_suggest(like, tables)}"
            )
        base = tables[like][1] if like is not None else {}
        whole = _merged(base, own, where)
        if like is not None and "one_channel" not in whole:
            # A number of the studio's own does not change how the destination counts channels.
            whole["one_channel"] = shipped[like].one_channel.to_dict()
        merged[name] = _build(name, "studio", whole, where)
    return merged


def find_destinations(
    names: Iterable[str], config: Config | None = None
) -> tuple[Destination, ...]:
    """Return the destinations of these names, each once.

    Raises
    ------
    TargetError
        If a name is unknown; the message offers the closest ones.
    """
    return pick(names, load_destinations(config))


def pick(names: Iterable[str], known: Destinations) -> tuple[Destination, ...]:
    """Return the destinations of these names among those known, each once.

    Raises
    ------
    TargetError
        If a name is unknown; the message offers the closest ones.
    """
    found = []
    for name in dict.fromkeys(names):
        if name not in known:
            raise TargetError(f"{name}: no such destination; {_suggest(name, known)}")
        found.append(known[name])
    return tuple(found)


def _suggest(name: str, known: Iterable[str]) -> str:
    wanted = name.lower().replace("_", "-").replace(" ", "-")
    inside = [known_name for known_name in known if wanted and wanted in known_name]
    close = difflib.get_close_matches(wanted, known, n=3, cutoff=0.5)
    offers = list(dict.fromkeys([*inside, *close]))[:3]
    if not offers:
        return "`vocheck targets` lists them"
    return f"did you mean {' or '.join(offers)}?"


@cache
def _shipped_tables() -> Mapping[str, tuple[str, Table]]:
    tables: dict[str, tuple[str, Table]] = {}
    for family in FAMILIES:
        tables |= {
            name: (family, table) for name, table in shipped(f"families/{family}.toml").items()
        }
    return tables


@cache
def _shipped() -> Destinations:
    return {
        name: _build(name, family, table, f"{family}.toml: [{name}]")
        for name, (family, table) in _shipped_tables().items()
    }


def _merged(base: Mapping[str, Any], own: Mapping[str, Any], where: str) -> dict[str, Any]:
    """Return `base` with a studio's tables laid over it, each number with its own provenance.

    What the studio leaves as it was keeps the shipped source; a table that it touches is the
    studio's, with the studio's file as source unless it names another.
    """
    studio = {
        "source": own.get("source", where.partition(": [")[0]),
        "date": own.get("date", "undated"),
        "url": own.get("url", ""),
        "status": own.get("status", "our choice"),
        "unconfirmed": own.get("unconfirmed", False),
    }
    shipped = {key: base[key] for key in _PROVENANCE if key in base}
    merged: dict[str, Any] = {**base, **own, **studio}
    rules = {name: {**shipped, **rule} for name, rule in base.get("rules", {}).items()}
    for name, rule in as_table(own.get("rules", {}), f"{where}: rules").items():
        older = {key: value for key, value in rules.get(name, {}).items() if key not in _PROVENANCE}
        rules[name] = {**older, **studio, **as_table(rule, f"{where}: rules.{name}")}
    # A destination has one level rule: a studio that names another kind replaces the shipped one.
    if any(name in LEVELS for name in own.get("rules", {})):
        rules = {n: r for n, r in rules.items() if n not in LEVELS or n in own["rules"]}
    merged["rules"] = rules
    for key in ("encoding", "ingest", "one_channel"):
        if key in own:
            merged[key] = {**base.get(key, {}), **studio, **as_table(own[key], f"{where}: {key}")}
        elif key in base:
            merged[key] = {**shipped, **base[key]}
    return merged


def _build(name: str, family: str, table: Table, where: str) -> Destination:
    row = build(_Table, table, where)
    if row.read and not re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", row.read, re.ASCII):
        raise TargetError(f'{where}: read must be a month such as "2026-11", not {shown(row.read)}')
    tables = as_table(row.rules or {}, f"{where}: rules")
    refuse_unknown(tables, FACTS, f"{where}: rules")
    provenance = {key: getattr(row, key) for key in _PROVENANCE}
    rules = tuple(
        _rule(fact, tables[fact], provenance, f"{where}: rules.{fact}")
        for fact in FACTS
        if fact in tables
    )
    for rule in rules:
        if rule.alternative is not None and rule.alternative not in tables:
            raise TargetError(
                f"{where}: rules.{rule.fact}: alternative must name another rule of the "
                f"destination, not {shown(rule.alternative)}"
            )
    if sum(rule.fact in LEVELS for rule in rules) > 1:
        raise TargetError(f"{where}: only one of {', '.join(LEVELS)} may have a rule")
    one_channel = _part(OneChannel, row.one_channel, provenance, f"{where}: one_channel")
    return Destination(
        name=name,
        title=row.title or name,
        family=family,
        note=row.note,
        read=row.read,
        rules=rules,
        encoding=_part(Encoding, row.encoding, provenance, f"{where}: encoding"),
        ingest=_part(Ingest, row.ingest, provenance, f"{where}: ingest"),
        one_channel=one_channel or _one_channel(rules, family),
        **provenance,
    )


def _one_channel(rules: Iterable[Requirement], family: str) -> OneChannel:
    """Return how one channel is read where a destination's table does not say."""
    level = next((rule for rule in rules if rule.fact in LEVELS), None)
    name = "studio" if family == "studio" else "unpublished"
    if level is not None and level.status in PUBLISHED:
        name = "published"
    return _shipped_one_channel()[name]


@cache
def _shipped_one_channel() -> Mapping[str, OneChannel]:
    return {
        name: build(OneChannel, table, f"one_channel.toml: [{name}]")
        for name, table in shipped("one_channel.toml").items()
    }


def _part(kind: type[T], table: object, provenance: Table, where: str) -> T | None:
    """Return a part of a destination, which inherits what it does not say of its source."""
    return None if table is None else build(kind, {**provenance, **as_table(table, where)}, where)


def _rule(fact: str, table: object, provenance: Table, where: str) -> Requirement:
    rule = build(Requirement, {**provenance, **as_table(table, where)}, where, fact=fact)
    if rule.one_of == ():
        raise TargetError(f"{where}: one_of must be a list of accepted values")
    if rule.one_of is None and rule.target is None and not rule.rules:
        raise TargetError(f"{where}: needs a number or one_of")
    if fact in LEVELS and rule.target is None:
        raise TargetError(f"{where}: needs a target")
    for number in rule.our_choice:
        if getattr(rule, number, None) is None or number not in NUMBERS:
            raise TargetError(f"{where}: our_choice names no number of the rule: {shown(number)}")
    return rule


def _first(*values: float | None) -> float | None:
    """Return the first value that is given."""
    return next((value for value in values if value is not None), None)
