"""Delivery targets in the terminal: one line each, or one destination in full."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from itertools import groupby

from vocheck.plain import shown_plainly
from vocheck.policy.destinations import (
    FACTS,
    Destination,
    Encoding,
    Ingest,
    OneChannel,
    Requirement,
)
from vocheck.report.text.style import bold, dim, wrap
from vocheck.wording.delivery import wanted

FAMILY_TITLES = {
    "mix": "Every mix, wherever it goes",
    "social": "Social media and the web",
    "broadcast": "Broadcast and streaming standards",
    "listening": "Podcasts, adverts, audiobooks, telephony, cinema, games, streaming originals",
    "studio": "From your vocheck.toml",
}

MARKS = {
    "published standard": "S",
    "published by the platform": "P",
    "common practice, no source": "",
    "our choice": "O",
}
"""One letter per status, so that the whole list fits a narrow terminal."""

ENCODER_NAMES = {
    "aac": "AAC",
    "opus": "Opus",
    "mp3": "MP3",
    "mulaw": "G.711",
}


@shown_plainly
def render_destinations(destinations: Iterable[Destination], today: date) -> str:
    """Return the list of destinations as text, ending in a newline.

    Parameters
    ----------
    destinations : iterable of Destination
    today : date
        The day of the call: what was read more than a year before is marked and told.
    """
    destinations = tuple(destinations)
    rows = [(destination, _row(destination, today)) for destination in destinations]
    widths = [max((len(row[column]) for _, row in rows), default=0) for column in range(4)]
    blocks = []
    for family, group in groupby(rows, key=lambda row: row[0].family):
        lines = [bold(FAMILY_TITLES[family])]
        for _, (*cells, title) in group:
            start = "  ".join(
                ["", *(cell.ljust(width) for cell, width in zip(cells, widths, strict=True)), ""]
            )
            lines.append(wrap(title, " " * len(start), start))
        blocks.append("\n".join(lines))
    blocks.append(wrap(_KEY))
    if stale := sum(destination.is_stale(today) for destination in destinations):
        blocks.append(wrap(_STALE.format(count=stale)))
    return "\n\n".join(blocks) + "\n"


_KEY = (
    "S: published standard. P: published by the platform. O: our choice. none: no number is "
    "published; `vocheck targets NAME` shows the common practice, which is never judged. ?: read "
    "second-hand, not confirmed at the source. The recipient's contract and own check win over "
    "this list."
)

_STALE = "!: {count} of these were read more than a year ago and may have changed."


def _row(destination: Destination, today: date) -> tuple[str, str, str, str, str]:
    level = destination.level or destination.rule("leq_m_db")
    peak = destination.rule("level_dbtp")
    judged = [rule for rule in (level, peak) if rule is not None and rule.judged]
    marks = "/".join(dict.fromkeys(MARKS[rule.status] for rule in judged))
    if not judged and level is None:
        marks = MARKS[destination.status]
    if any(rule.unconfirmed for rule in judged):
        marks += "?"
    if destination.is_stale(today):
        marks += "!"
    return (
        destination.name,
        _cell(level),
        _cell(peak),
        marks,
        destination.title,
    )


def _cell(rule: Requirement | None) -> str:
    """Return what to aim at, or the highest that passes."""
    value = None if rule is None else rule.highest if rule.target is None else rule.target
    if rule is None or value is None:
        return ""
    return f"{value:g} {FACTS[rule.fact].unit}" if rule.judged else "none"


@shown_plainly
def render_destination(destination: Destination, today: date) -> str:
    """Return one destination in full as text, ending in a newline.

    Parameters
    ----------
    destination : Destination
    today : date
        The day of the call.
    """
    lines = [f"{bold(destination.name)}  {destination.title}"]
    if destination.note:
        lines.append(wrap(destination.note, "  "))
    lines += [*_provenance(destination, "  "), *_read(destination, today)]
    for rule in destination.rules:
        lines += ["", *_rule(rule), *_own_provenance(rule, destination)]
    if (encoding := destination.encoding) is not None:
        lines += ["", *_encoding(encoding), *_own_provenance(encoding, destination)]
    if (ingest := destination.ingest) is not None:
        lines += ["", *_ingest(ingest), *_own_provenance(ingest, destination)]
    if (level := destination.level) is not None and level.fact.endswith("_lufs"):
        counts = destination.one_channel
        lines += ["", *_one_channel(counts), *_own_provenance(counts, destination)]
    return "\n".join(lines) + "\n"


def _read(destination: Destination, today: date) -> list[str]:
    """Return when the source was read, and whether that is too long ago."""
    if not destination.read:
        return []
    if destination.is_stale(today):
        old = f"Read {destination.read}, more than a year ago: ask for the current specification."
        return [wrap(old, "  ")]
    return [dim(f"  read {destination.read}")]


def _one_channel(counts: OneChannel) -> list[str]:
    words = "as heard from two speakers" if counts.reading == "two speakers" else "as one"
    note = [wrap(counts.note, "    ")] if counts.note else []
    return [f"  A file of one channel counts {words}", *note]


def _rule(rule: Requirement) -> list[str]:
    asked = wanted(rule) if rule.judged else f"none published; common practice {wanted(rule)}"
    lines = [wrap(f"{FACTS[rule.fact].what}: {asked}", "    ", "  ")]
    if rule.minimum is not None and rule.warn_below is not None:
        lines.append(f"    fails below {rule.minimum:g}")
    if rule.maximum is not None and rule.warn_above is not None:
        lines.append(f"    fails above {rule.maximum:g}")
    if rule.loud_warn_above is not None:
        lines.append(
            f"    at most {rule.loud_warn_above:g} when louder than {rule.loud_from_lufs:g} LUFS"
        )
    if rule.severity == "warn":
        lines.append("    recommended: warned about, not failed")
    if rule.alternative is not None:
        lines.append(f"    or else the {FACTS[rule.alternative].what.lower()}: one is enough")
    if rule.containers:
        lines.append(f"    for {', '.join(rule.containers)} only")
    if rule.when == "encoded":
        lines.append("    for the encoded file only")
    if rule.note:
        lines.append(wrap(rule.note, "    "))
    if rule.our_choice:
        names = ", ".join(name.replace("_", " ") for name in rule.our_choice)
        lines.append(wrap(f"our choice: {names}", "    "))
    return lines


def _encoding(encoding: Encoding) -> list[str]:
    what = f"Encoded there to {ENCODER_NAMES[encoding.codec]}, about {encoding.bitrate_kbps} kb/s"
    return [f"  {what}", *([wrap(encoding.note, "    ")] if encoding.note else [])]


def _ingest(ingest: Ingest) -> list[str]:
    what = f"Turns the sound down: {ingest.turns_down}; up: {ingest.turns_up}"
    return [f"  {what}", wrap(ingest.text, "    ")]


def _own_provenance(
    entry: Requirement | Encoding | Ingest | OneChannel, destination: Destination
) -> list[str]:
    """Return where a table's numbers come from, where that is not its destination's source."""
    same = (entry.source, entry.status, entry.unconfirmed) == (
        destination.source,
        destination.status,
        destination.unconfirmed,
    )
    return [] if same else _provenance(entry, "    ")


def _provenance(
    entry: Destination | Requirement | Encoding | Ingest | OneChannel, indent: str
) -> list[str]:
    dated = f"{entry.source}, {entry.date}" if entry.date not in ("", "undated") else entry.source
    doubt = "; not confirmed at the source" if entry.unconfirmed else ""
    lines = wrap(f"{dated} ({entry.status}{doubt})", indent).split("\n")
    if entry.url:
        lines.append(f"{indent}{entry.url}")
    return [dim(line) for line in lines]
