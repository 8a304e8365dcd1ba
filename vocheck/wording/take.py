"""A take in sentences: keep it or go again."""

from __future__ import annotations

from vocheck.session.take import TakeResult
from vocheck.wording.vocabulary import counted


def advice(result: TakeResult) -> str:
    """Return in a sentence what to do with a take."""
    notes = sum(finding.severity == "note" for finding in result.findings)
    if result.verdict == "keep":
        tail = f" {counted(notes, 'note')} below." if notes else ""
        return f"Keep it: nothing to fix.{tail}"
    if result.verdict == "retake":
        return "Go again while the talent is here: the edit cannot save this one."
    return "Usable: the edit can fix what is listed here. Go again if there is time."
