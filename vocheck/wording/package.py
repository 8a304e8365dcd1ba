"""A package for a client in words: what it holds, and whether it may go out."""

from __future__ import annotations

from vocheck.mix.package import Item, Package, Problem
from vocheck.policy.destinations import Destination
from vocheck.wording.mix import loudness_words
from vocheck.wording.vocabulary import clock, listed, number

CONTRACT = (
    "This tells what vocheck measured in the files named here. The recipient's contract and own "
    "check win over any number in it."
)


def sentence(package: Package) -> str:
    """Return in a sentence what a package is."""
    mixes = sum(item.kind == "mix" for item in package.items)
    stems = len(package.items) - mixes
    parts = [f"{mixes} {'mix' if mixes == 1 else 'mixes'}"]
    if stems:
        parts.append(f"{stems} {'stem' if stems == 1 else 'stems'}")
    return f"{listed(parts)} for {listed(d.name for d in package.destinations)}"


def refused(package: Package) -> str:
    """Return why nothing was written; empty where nothing stands against it."""
    if not package.problems:
        return ""
    return f"Nothing was written: {'; '.join(map(_problem, package.problems))}."


def _problem(problem: Problem) -> str:
    if problem.kind == "no mix":
        return f"there is no mix for {problem.names[0]}"
    if problem.kind == "same name":
        one, other, name = problem.names
        return f"{one} and {other} would both be {name} (--name gives others)"
    name, destination = problem.names
    if problem.kind == "not told":
        return f"of {name} something that {destination} asks for cannot be told"
    verdict = "does not pass" if problem.verdict == "fail" else "is not in order"
    return f"{name} {verdict} for {destination}"


def measured(item: Item) -> str:
    """Return the loudness, the true peak and the form of one file."""
    source = item.result.source
    form = [f"{source.rate_hz / 1000:g} kHz", f"{source.bits} bit" if source.bits else ""]
    peak = number(item.result.measurements.true_peak.level_dbtp, unit="dBTP")
    parts = [clock(source.duration_s), loudness_words(item.result), peak, source.codec or "", *form]
    return ", ".join(part for part in parts if part)


def against(destination: Destination) -> str:
    """Return whose numbers a destination's are."""
    doubt = ", not confirmed at the source" if destination.unconfirmed else ""
    read = f", read {destination.read}" if destination.read else ""
    dated = f", {destination.date}" if destination.date else ""
    return f"{destination.title}: {destination.source}{dated} ({destination.status}{doubt}{read})"
