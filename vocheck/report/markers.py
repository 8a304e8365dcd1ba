"""What was found, as markers for the edit: WebVTT cues, a CSV list, and labels in a WAV copy.

References
----------
.. [1] W3C, WebVTT: The Web Video Text Tracks Format, Candidate Recommendation, 2019.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from vocheck.audio.broadcast_wav import Marker
from vocheck.plain import shown_plainly
from vocheck.policy.judge import Finding
from vocheck.report.csv import render_rows
from vocheck.session.take import TakeResult
from vocheck.wording.findings import named, what

CUE_S = 0.5
"""How long a cue of a single moment is shown."""


def markers_of(result: TakeResult) -> tuple[Marker, ...]:
    """Return a marker for every place of every finding, in the order of time."""
    markers = [
        Marker(time, time, f"{finding.severity}: {named(finding.name)}")
        for finding in result.findings
        for time in finding.times_s
    ]
    return tuple(sorted(markers, key=lambda marker: marker.start_s))


@shown_plainly
def render_vtt(result: TakeResult) -> str:
    """Return the places of one take's findings as WebVTT."""
    cues = [
        f"{_stamp(time)} --> {_stamp(time + CUE_S)}\n{_cue_text(finding)}\n"
        for time, finding in _in_order(result)
    ]
    return "\n".join(["WEBVTT\n", *cues])


def render_marker_csv(results: Sequence[TakeResult]) -> str:
    """Return the places of the findings of many takes as CSV."""
    rows = [
        {
            "path": result.path,
            "time_s": time,
            "time": _stamp(time),
            "severity": finding.severity,
            "finding": finding.name,
            "message": what(finding),
        }
        for result in results
        for time, finding in _in_order(result)
    ]
    return render_rows(rows, ("path", "time_s", "time", "severity", "finding", "message"))


def _in_order(result: TakeResult) -> Iterable[tuple[float, Finding]]:
    places = [(time, finding) for finding in result.findings for time in finding.times_s]
    return sorted(places, key=lambda place: place[0])


def _stamp(seconds: float) -> str:
    """Return a time as ``HH:MM:SS.mmm``, as WebVTT wants it."""
    thousandths = round(seconds * 1000)
    minutes, rest = divmod(thousandths, 60_000)
    return f"{minutes // 60:02d}:{minutes % 60:02d}:{rest / 1000:06.3f}"


def _cue_text(finding: Finding) -> str:
    # WebVTT reads & and < as markup, and --> as the end of the text.
    text = f"{finding.severity}: {what(finding)}".replace("&", "&amp;").replace("<", "&lt;")
    return re.sub(r"-->", "→", text).replace(">", "&gt;")
