"""What was found, as markers for the edit: WebVTT cues, a CSV list, and labels in a WAV copy.

References
----------
.. [1] W3C, WebVTT: The Web Video Text Tracks Format, Candidate Recommendation, 2019.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from vocheck.audio.broadcast_wav import Marker
from vocheck.edit.slots import LineFit, Misfit, SlotsResult
from vocheck.mix.results import MixResult
from vocheck.passes.results import Passes
from vocheck.plain import shown_plainly
from vocheck.policy.judge import Finding
from vocheck.report.csv import render_rows
from vocheck.session.take import TakeResult
from vocheck.wording.findings import named, what
from vocheck.wording.lines import what as line_words
from vocheck.wording.passes import pass_label
from vocheck.wording.slots import misfit_sentence

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
        _cue(time, time + CUE_S, f"{finding.severity}: {what(finding)}")
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


def markers_of_passes(passes: Passes) -> tuple[Marker, ...]:
    """Return a marker for every stretch of a long recording."""
    return tuple(Marker(one.start_s, one.end_s, pass_label(one)) for one in passes.passes)


@shown_plainly
def render_passes_vtt(passes: Passes) -> str:
    """Return the stretches of a long recording as WebVTT."""
    cues = [_cue(one.start_s, one.end_s, pass_label(one)) for one in passes.passes]
    return "\n".join(["WEBVTT\n", *cues])


def render_passes_csv(passes: Passes) -> str:
    """Return the stretches of a long recording as CSV."""
    rows = [
        {"path": passes.path, "start": _stamp(one.start_s), "end": _stamp(one.end_s)}
        | one.to_dict()
        for one in passes.passes
    ]
    facts = ("start_s", "end_s", "line", "attempt", "kind", "complete", "confidence")
    return render_rows(rows, ("path", "start", "end", *facts))


def _in_order(result: TakeResult) -> Iterable[tuple[float, Finding]]:
    places = [(time, finding) for finding in result.findings for time in finding.times_s]
    return sorted(places, key=lambda place: place[0])


def _stamp(seconds: float) -> str:
    """Return a time as ``HH:MM:SS.mmm``, as WebVTT wants it."""
    thousandths = round(seconds * 1000)
    minutes, rest = divmod(thousandths, 60_000)
    return f"{minutes // 60:02d}:{minutes % 60:02d}:{rest / 1000:06.3f}"


def _cue(start_s: float, end_s: float, text: str) -> str:
    # WebVTT reads & and < as markup, and --> as the end of the text.
    text = text.replace("&", "&amp;").replace("<", "&lt;")
    text = re.sub(r"-->", "→", text).replace(">", "&gt;")
    return f"{_stamp(start_s)} --> {_stamp(end_s)}\n{text}\n"


@dataclass(frozen=True)
class SlotMark:
    """A place under the picture that a line does not fit.

    Attributes
    ----------
    fit : LineFit
    misfit : Misfit
    start_s, end_s : float
        In seconds from the start of the picture.
    """

    fit: LineFit
    misfit: Misfit
    start_s: float
    end_s: float


def slot_marks(result: SlotsResult) -> list[SlotMark]:
    """Return the places that do not fit: from the end of the slot on, or the pause."""
    marks = []
    for fit in result.lines:
        read_end_s = fit.start_s + fit.read_s
        for misfit in fit.misfits:
            start_s, end_s = fit.end_s, read_end_s
            if misfit.name.startswith("pause"):
                start_s, end_s = read_end_s, read_end_s + misfit.value
            elif misfit.name == "into_next":
                start_s = read_end_s - misfit.value
            marks.append(SlotMark(fit, misfit, start_s, max(end_s, start_s + CUE_S)))
    return sorted(marks, key=lambda mark: mark.start_s)


@shown_plainly
def render_slot_vtt(result: SlotsResult) -> str:
    """Return the places that do not fit as WebVTT, in the time of the picture."""
    cues = [
        _cue(
            mark.start_s,
            mark.end_s,
            f"{mark.misfit.severity}: {mark.fit.line}: {misfit_sentence(mark.fit, mark.misfit)}",
        )
        for mark in slot_marks(result)
    ]
    return "\n".join(["WEBVTT\n", *cues])


def render_slot_csv(result: SlotsResult) -> str:
    """Return the places that do not fit as CSV."""
    rows = [
        {
            "line": mark.fit.line,
            "path": mark.fit.path,
            "start_s": mark.start_s,
            "end_s": mark.end_s,
            "slot_start": mark.fit.start,
            "slot_end": mark.fit.end,
            "severity": mark.misfit.severity,
            "name": mark.misfit.name,
            "message": misfit_sentence(mark.fit, mark.misfit),
        }
        for mark in slot_marks(result)
    ]
    columns = ("line", "path", "start_s", "end_s", "slot_start", "slot_end")
    return render_rows(rows, (*columns, "severity", "name", "message"))


def line_markers(result: MixResult) -> list[tuple[float, float, str, str, str]]:
    """Return a marker for each line of a mix that is not in order, in the order of time.

    Returns
    -------
    list of (start_s, end_s, verdict, line, text)
        A line that was not found stands at the start.
    """
    markers = [
        (line.start_s or 0.0, line.end_s or 0.0, line.verdict, line.line, line_words(line))
        for line in result.lines or ()
        if line.verdict != "pass"
    ]
    return sorted(markers)


@shown_plainly
def render_line_vtt(result: MixResult) -> str:
    """Return the lines of a mix that are not in order as WebVTT."""
    cues = [
        _cue(start, max(end, start + CUE_S), f"{verdict}: {name}: {text}")
        for start, end, verdict, name, text in line_markers(result)
    ]
    return "\n".join(["WEBVTT\n", *cues])


def render_line_csv(result: MixResult) -> str:
    """Return the lines of a mix that are not in order as CSV."""
    rows = [
        {
            "path": result.path,
            "time_s": start,
            "time": _stamp(start),
            "end_s": end,
            "severity": verdict,
            "finding": name,
            "message": text,
        }
        for start, end, verdict, name, text in line_markers(result)
    ]
    return render_rows(rows, ("path", "time_s", "time", "end_s", "severity", "finding", "message"))
