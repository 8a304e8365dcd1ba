"""Pickups against a reference in the terminal: will the cut be heard, and what helps."""

from __future__ import annotations

from collections.abc import Sequence

from vocheck.plain import shown_plainly
from vocheck.report.text.style import bold, dim, paint, table, wrap
from vocheck.takes.match import Difference, MatchResult
from vocheck.wording.match import distance_hint, sentence
from vocheck.wording.vocabulary import file_name, hertz, number

_WORDS = {"matches": "MATCHES", "can be matched": "NEARLY", "differs": "DIFFERS"}
_COLORS = {"matches": "keep", "can be matched": "fixable", "differs": "retake"}
_ANSWERS = {
    "matches": "The cut will not be heard.",
    "can be matched": "The edit can bring it near enough.",
    "differs": "The cut will be heard: record the pickup again.",
}


@shown_plainly
def render_matches(results: Sequence[MatchResult]) -> str:
    """Return each pickup against the reference as text, ending in a newline."""
    return "\n\n".join(_match(result) for result in results) + "\n"


def _match(result: MatchResult) -> str:
    word = paint(f"{_WORDS[result.verdict]:<8}", _COLORS[result.verdict])
    name, reference = (file_name(path) for path in (result.path, result.reference))
    parts = [f"{word}  {bold(name)} {dim('against')} {reference}"]
    parts.append(wrap(_ANSWERS[result.verdict], "  "))
    parts.append(table([_row(difference) for difference in result.differences], "  "))
    if result.gain_db is not None and abs(result.gain_db) >= 0.05:
        parts.append(f"  gain   {result.gain_db:+.1f} dB")
    if result.eq:
        bands = ", ".join(f"{band.gain_db:+.1f} at {hertz(band.centre_hz)}" for band in result.eq)
        parts.append(wrap(f"tone   {bands} (dB, gentle octave bands)", " " * 9, "  "))
    if hint := distance_hint(result):
        parts.append(wrap(f"hint   {hint}.", " " * 9, "  "))
    for difference in result.differences:
        if difference.verdict == "differs":
            parts.append(wrap(f"{bold('now')}    {difference.now}", " " * 9, "  "))
    parts.append(dim(wrap(_tolerances(result), "  ")))
    return "\n".join(parts)


def _tolerances(result: MatchResult) -> str:
    """Return on whose word the tolerances are."""
    words: dict[str, list[str]] = {}
    for difference in result.differences:
        words.setdefault(difference.status, []).append(difference.what)
    listed = "; ".join(f"{status}: {', '.join(names)}" for status, names in words.items())
    return f"± {listed}. --format json names each source."


def _row(difference: Difference) -> tuple[str, str, str]:
    value = number(difference.difference, 2 if difference.unit == "s" else 1, difference.unit)
    words = sentence(difference)
    if difference.verdict is not None:
        words = paint(words, _COLORS[difference.verdict])
    return value, dim(f"±{difference.within:g}"), words
