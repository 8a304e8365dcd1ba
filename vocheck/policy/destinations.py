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
``note``, and three kinds of tables:

``[NAME.rules.FACT]``
    One rule about one fact (the names of `FACTS`): ``target`` is the value to aim at; outside
    ``minimum`` .. ``maximum`` is a *fail*, outside ``warn_below`` .. ``warn_above`` a *warn*;
    ``one_of`` lists what is accepted. ``severity = "warn"`` softens a rule that its source calls a
    recommendation; ``when = "encoded"`` leaves a master that is still to be encoded alone.
    ``loud_from_lufs`` and ``loud_warn_above`` set a lower warning for programmes louder than that.
    ``our_choice`` names the numbers of the rule that the source leaves open and vocheck filled in.
``[NAME.encoding]``
    The codec and bit rate the destination makes of the sound, for predicting the true peak.
``[NAME.ingest]``
    Whether it turns the sound down or up: ``"yes"``, ``"no"`` or ``"not published"``.

Rules and tables inherit ``source``, ``date``, ``url``, ``status`` and ``unconfirmed`` from their
destination. A status is one of the four words of `STATUSES`. A number with the status *common
practice, no source* is shown as a working value and never judged: its verdict is *not published*.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal, get_args

from vocheck.errors import TargetError
from vocheck.policy.config import Config
from vocheck.policy.rule import STATUSES, Status
from vocheck.results import Result

Severity = Literal["warn", "fail"]
When = Literal["always", "encoded"]
Answer = Literal["yes", "no", "not published"]

FAMILIES = ("mix", "social", "broadcast", "listening")
"""The shipped files, in the order in which the destinations are listed."""

ANY_MIX = "mix"
"""What every final mix is held to, wherever it goes."""

DEFAULT_DESTINATION = "social"

RULE_OF_THUMB: Status = "common practice, no source"


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
    "level_dbtp": Fact("True peak", "dBTP"),
    "sample_peak_dbfs": Fact("Sample peak", "dBFS"),
    "short_term_max_lufs": Fact("Loudest 3 s", "LUFS"),
    "momentary_max_lufs": Fact("Loudest 0.4 s", "LUFS"),
    "range_lu": Fact("Loudness range", "LU"),
    "floor_dbfs": Fact("Noise floor", "dBFS"),
    "voice_to_bed_lu": Fact("Voice over bed", "LU"),
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
    "bitrate_kbps": Fact("Bit rate", "kb/s", 0),
}
"""Every fact a rule can be about, by its name in the results; in the order of a report."""

LEVELS = ("integrated_lufs", "dialogue_lufs", "rms_dbfs", "active_dbfs")
"""The facts that a gain can bring to a target; a destination has exactly one of them."""


@dataclass(frozen=True, kw_only=True)
class Rule(Result):
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
    one_of: tuple[float | str, ...] | None = None
    severity: Severity = "fail"
    when: When = "always"
    our_choice: tuple[str, ...] = ()
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

    @property
    def wanted(self) -> str:
        """What is asked, in words: ``-23.0 LUFS (-23.2 to -22.8)``."""
        fact = FACTS[self.fact]
        if self.one_of is not None:
            accepted = " or ".join(_text(self.fact, item) for item in self.one_of)
            return f"{accepted} {fact.unit}".rstrip()
        low = _first(self.warn_below, self.minimum)
        high = _first(self.warn_above, self.maximum)
        bounds = _bounds(self.fact, low, high)
        if self.target is None:
            return f"{bounds} {fact.unit}".rstrip()
        aim = f"{_text(self.fact, self.target)} {fact.unit}".rstrip()
        return f"{aim} ({bounds})" if bounds else aim


@dataclass(frozen=True, kw_only=True)
class Encoding(Result):
    """What a destination makes of the sound; the encoder itself is never known.

    Attributes
    ----------
    codec : {"aac", "mp3", "opus", "mulaw"}
    bitrate_kbps : int
    note, source, date, url, status, unconfirmed
        As in `Rule`.
    """

    codec: str
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
        As in `Rule`.
    """

    turns_down: Answer
    turns_up: Answer
    to_lufs: float | None = None
    up_to_dbtp: float | None = None
    text: str
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
        As in `Rule`; the rules carry their own where it differs.
    rules : tuple of Rule
        In the order of `FACTS`.
    encoding : Encoding or None
    ingest : Ingest or None
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
    rules: tuple[Rule, ...]
    encoding: Encoding | None = None
    ingest: Ingest | None = None

    def rule(self, fact: str) -> Rule | None:
        """Return the rule about a fact, if there is one."""
        return next((rule for rule in self.rules if rule.fact == fact), None)

    @property
    def level(self) -> Rule | None:
        """The rule that a gain is computed for: loudness, or RMS, or active speech level."""
        return next((rule for rule in self.rules if rule.fact in LEVELS), None)

    @property
    def peak_dbtp(self) -> float | None:
        """The highest true peak that passes without a warning."""
        rule = self.rule("level_dbtp")
        return None if rule is None else _first(rule.warn_above, rule.maximum)

    @property
    def publishes_level(self) -> bool:
        """Whether there is a level number here that a file can be judged by."""
        return self.level is None or self.level.judged


Destinations = Mapping[str, Destination]

_RULE_NUMBERS = ("target", "minimum", "maximum", "warn_below", "warn_above", "loud_from_lufs",
                 "loud_warn_above")  # fmt: skip
_PROVENANCE = ("source", "date", "url", "status", "unconfirmed")
_RULE_KEYS = {*_RULE_NUMBERS, "one_of", "severity", "when", "our_choice", "note", *_PROVENANCE}
_ENCODING_KEYS = {"codec", "bitrate_kbps", "note", *_PROVENANCE}
_INGEST_KEYS = {"turns_down", "turns_up", "to_lufs", "up_to_dbtp", "text", *_PROVENANCE}
_KEYS = {"title", "note", "rules", "encoding", "ingest", *_PROVENANCE}

ENCODERS = ("aac", "mp3", "opus", "mulaw")
"""The codecs that `vocheck.audio.codecs` can try."""


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
        where = f"{config.path}: [destinations.{name}]"
        if not isinstance(override, Mapping):
            raise TargetError(f"{where}: must be a table")
        own = {key: value for key, value in override.items() if key != "like"}
        like = override.get("like", name if name in tables else None)
        if like is not None and like not in tables:
            raise TargetError(f"{where}: like = {like!r} is no shipped destination")
        base = tables[like][1] if like is not None else {}
        merged[name] = _build(name, "studio", _merged(base, own, where), where)
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


def _suggest(name: str, known: Destinations) -> str:
    wanted = name.lower().replace("_", "-").replace(" ", "-")
    inside = [known_name for known_name in known if wanted and wanted in known_name]
    close = difflib.get_close_matches(wanted, known, n=3, cutoff=0.5)
    offers = list(dict.fromkeys([*inside, *close]))[:3]
    if not offers:
        return "`vocheck targets` lists them"
    return f"did you mean {' or '.join(offers)}?"


@cache
def _shipped_tables() -> Mapping[str, tuple[str, Mapping[str, Any]]]:
    folder = files("vocheck.policy").joinpath("families")
    tables: dict[str, tuple[str, Mapping[str, Any]]] = {}
    for family in FAMILIES:
        text = folder.joinpath(f"{family}.toml").read_text(encoding="utf-8")
        tables |= {name: (family, table) for name, table in tomllib.loads(text).items()}
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
    for name, rule in _table(own.get("rules", {}), f"{where}: rules").items():
        older = {key: value for key, value in rules.get(name, {}).items() if key not in _PROVENANCE}
        rules[name] = {**older, **studio, **_table(rule, f"{where}: rules.{name}")}
    # A destination has one level rule: a studio that names another kind replaces the shipped one.
    if any(name in LEVELS for name in own.get("rules", {})):
        rules = {n: r for n, r in rules.items() if n not in LEVELS or n in own["rules"]}
    merged["rules"] = rules
    for key in ("encoding", "ingest"):
        if key in own:
            merged[key] = {**base.get(key, {}), **studio, **_table(own[key], f"{where}: {key}")}
        elif key in base:
            merged[key] = {**shipped, **base[key]}
    return merged


def _table(value: object, where: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise TargetError(f"{where}: must be a table")
    return value


def _build(name: str, family: str, table: Mapping[str, Any], where: str) -> Destination:
    _only(_KEYS, table, where)
    if not isinstance(table.get("title", name), str):
        raise TargetError(f"{where}: title must be a text")
    provenance = _provenance(table, {}, where)
    tables = _table(table.get("rules", {}), f"{where}: rules")
    _only(set(FACTS), tables, f"{where}: rules")
    rules = tuple(
        _rule(fact, tables[fact], provenance, f"{where}: rules.{fact}")
        for fact in FACTS
        if fact in tables
    )
    if sum(rule.fact in LEVELS for rule in rules) > 1:
        raise TargetError(f"{where}: only one of {', '.join(LEVELS)} may have a rule")
    return Destination(
        name=name,
        title=table.get("title", name),
        family=family,
        note=str(table.get("note", "")),
        rules=rules,
        encoding=_encoding(table.get("encoding"), provenance, f"{where}: encoding"),
        ingest=_ingest(table.get("ingest"), provenance, f"{where}: ingest"),
        **provenance,
    )


def _rule(fact: str, table: object, inherited: Mapping[str, Any], where: str) -> Rule:
    table = _table(table, where)
    _only(_RULE_KEYS, table, where)
    numbers: dict[str, Any] = {
        key: _number(table, key, where) for key in _RULE_NUMBERS if key in table
    }
    one_of = table.get("one_of")
    if one_of is not None and not (isinstance(one_of, list | tuple) and one_of):
        raise TargetError(f"{where}: one_of must be a list of accepted values")
    if one_of is None and not numbers:
        raise TargetError(f"{where}: needs a number or one_of")
    if fact in LEVELS and "target" not in numbers:
        raise TargetError(f"{where}: needs a target")
    return Rule(
        fact=fact,
        one_of=None if one_of is None else tuple(one_of),
        severity=_choice(table, "severity", get_args(Severity), "fail", where),
        when=_choice(table, "when", get_args(When), "always", where),
        our_choice=tuple(table.get("our_choice", ())),
        note=str(table.get("note", "")),
        **numbers,
        **_provenance(table, inherited, where),
    )


def _encoding(table: object, inherited: Mapping[str, Any], where: str) -> Encoding | None:
    if table is None:
        return None
    table = _table(table, where)
    _only(_ENCODING_KEYS, table, where)
    return Encoding(
        codec=_choice(table, "codec", ENCODERS, None, where),
        bitrate_kbps=int(_number(table, "bitrate_kbps", where)),
        note=str(table.get("note", "")),
        **_provenance(table, inherited, where),
    )


def _ingest(table: object, inherited: Mapping[str, Any], where: str) -> Ingest | None:
    if table is None:
        return None
    table = _table(table, where)
    _only(_INGEST_KEYS, table, where)
    numbers: dict[str, Any] = {
        key: _number(table, key, where) for key in ("to_lufs", "up_to_dbtp") if key in table
    }
    return Ingest(
        turns_down=_choice(table, "turns_down", get_args(Answer), "not published", where),
        turns_up=_choice(table, "turns_up", get_args(Answer), "not published", where),
        text=str(table.get("text", "")),
        **numbers,
        **_provenance(table, inherited, where),
    )


def _provenance(
    table: Mapping[str, Any], inherited: Mapping[str, Any], where: str
) -> dict[str, Any]:
    """Return source, date, url, status and unconfirmed of a table, inherited where it has none."""
    own = {**inherited, **{key: table[key] for key in _PROVENANCE if key in table}}
    for key in ("source", "date", "url"):
        own.setdefault(key, "")
        if not isinstance(own[key], str):
            raise TargetError(f"{where}: {key} must be a text")
    own.setdefault("unconfirmed", False)
    _choice(own, "status", STATUSES, None, where)
    return own


def _choice(
    table: Mapping[str, Any], key: str, allowed: Sequence[str], default: str | None, where: str
) -> Any:
    value = table.get(key, default)
    if value not in allowed:
        raise TargetError(f"{where}: {key} must be one of {', '.join(allowed)}, not {value!r}")
    return value


def _number(table: Mapping[str, Any], key: str, where: str) -> float:
    value = table.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise TargetError(f"{where}: {key} must be a number, not {value!r}")
    return value


def _only(allowed: Iterable[str], table: Mapping[str, Any], where: str) -> None:
    unknown = [key for key in table if key not in set(allowed)]
    if unknown:
        close = difflib.get_close_matches(unknown[0], list(allowed), n=1)
        hint = f"; did you mean {close[0]!r}?" if close else ""
        raise TargetError(f"{where}: unknown key {unknown[0]!r}{hint}")


def _text(fact: str, value: float | str) -> str:
    if isinstance(value, str):
        return value
    decimals = FACTS[fact].decimals
    if fact in ("duration_s", "head_s", "tail_s") and float(value).is_integer():
        decimals = 0
    return f"{value:.{decimals}f}"


def _bounds(fact: str, low: float | None, high: float | None) -> str:
    if low is not None and high is not None:
        return f"{_text(fact, low)} to {_text(fact, high)}"
    if high is not None:
        return f"at most {_text(fact, high)}"
    if low is not None:
        return f"at least {_text(fact, low)}"
    return ""


def _first(*values: float | None) -> float | None:
    """Return the first value that is given."""
    return next((value for value in values if value is not None), None)
