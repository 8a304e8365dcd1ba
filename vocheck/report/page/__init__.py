"""The session as one HTML page: takes in ranked order, to be looked at, listened to and noted.

The page is one file. It needs no library and no network, and sends nothing anywhere; the takes are
played from where they are (or from copies inside the page), level-matched, and switched at the same
phrase from the keyboard. File names and notes are untrusted text: the template escapes every value.
"""

from __future__ import annotations

import base64
import io
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np

from vocheck.comp import CompSheet, Phrase, Reading
from vocheck.judge import Finding
from vocheck.listening import ListeningCopy
from vocheck.overview import Overview, Picture
from vocheck.rank import RankedTake
from vocheck.report.text.comp import answer, deviation_sentence, short_names
from vocheck.report.text.rank import session_sentence
from vocheck.report.text.style import as_sentence, clock, number
from vocheck.report.text.take import delivery_sentence

WAVE_HEIGHT = 96
"""Height of a waveform in the units of its drawing; a column is one unit wide."""
VERDICTS = {"keep": "Keep", "fixable": "Fixable", "retake": "Go again"}
MATCH_MOST_DB = 12.0
"""Takes are turned down to the softest of the line, but by no more than this: a take recorded far
too low is heard as what it is."""


def render_page(
    overview: Overview, title: str, folder: Path, copies: Mapping[str, ListeningCopy] | None = None
) -> str:
    """Return the page.

    Parameters
    ----------
    overview : Overview
    title : str
        Of the session.
    folder : Path
        Where the page will stand: takes are linked relative to it.
    copies : mapping of str to ListeningCopy, optional
        Listening copies to carry inside, by the take's path; a take without one is linked.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("vocheck.report", "page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    lines = [_line(sheet, overview, folder, copies or {}) for sheet in overview.sheets]
    return environment.get_template("page.html").render(
        title=title,
        summary=session_sentence(overview.ranking),
        lines=lines,
        failures=[failure.error for failure in overview.failures],
        left_out=[os.path.basename(path) for path in overview.left_out],
        play=[_play(line) for line in lines],
        wave_height=WAVE_HEIGHT,
    )


def _line(
    sheet: CompSheet, overview: Overview, folder: Path, copies: Mapping[str, ListeningCopy]
) -> dict[str, Any]:
    names = short_names(sheet)
    facts = [ranked.result.measurements for ranked in sheet.ranking.order]
    gains = _matching_gains([m.loudness.integrated_lufs for m in facts])
    return {
        "name": sheet.line,
        "answer": answer(sheet),
        "undecided": sheet.ranking.undecided,
        "nearest_clean": os.path.basename(sheet.ranking.nearest_clean or ""),
        "deviations": [deviation_sentence(deviation, names) for deviation in sheet.deviations],
        "names": names,
        "takes": [
            _take(ranked, names[i], overview.pictures[path], gains[i], sheet.phrases, i)
            | _sound(path, folder, copies.get(path), gains[i])
            for i, (ranked, path) in enumerate(zip(sheet.ranking.order, sheet.takes, strict=True))
        ],
        "phrases": [_phrase(phrase) for phrase in sheet.phrases],
    }


def _play(line: dict[str, Any]) -> dict[str, Any]:
    """Return what the script of the page needs of a line."""
    return {
        "name": line["name"],
        "takes": [
            {"name": take["name"], "volume": take["volume"], "phrases": take["phrases"]}
            for take in line["takes"]
        ],
    }


def _take(
    ranked: RankedTake,
    name: str,
    picture: Picture,
    gain_db: float,
    phrases: tuple[Phrase, ...],
    index: int,
) -> dict[str, Any]:
    result = ranked.result
    duration = result.source.duration_s
    return {
        "file": os.path.basename(ranked.path or ""),
        "key": Path(ranked.path or "").stem,
        "name": name,
        "number": result.take or 0,
        "place": ranked.position,
        "verdict": ranked.verdict,
        "verdict_word": VERDICTS[ranked.verdict],
        "score": f"{-ranked.score:.1f}",
        "circled": ranked.circled,
        "rating": "" if ranked.note.rating is None else f"{ranked.note.rating:g}",
        "remark": ranked.note.remark,
        "duration_s": duration,
        "duration": clock(duration),
        "reasons": [as_sentence(reason) for reason in ranked.reasons],
        "findings": [_finding(finding) for finding in result.findings],
        "marks": [
            {"x": _column(time, duration, picture), "severity": f.severity, "words": f.message}
            for f in result.findings
            for time in f.times_s
        ],
        "delivery": [delivery_sentence(delivery) for delivery in result.delivery],
        "facts": _facts(ranked),
        "wave": wave_path(picture),
        "spectrum": spectrum_address(picture),
        "gain": f"{gain_db:+.1f} dB",
        "phrases": [_span(phrase.readings[index]) for phrase in phrases],
        "columns": len(picture.low),
    }


def _span(reading: Reading) -> list[float]:
    return [round(reading.start_s, 3), round(reading.end_s, 3)]


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "severity": finding.severity,
        "message": finding.message,
        "now": finding.now,
        "later": finding.later,
        "limit": f"{finding.limit_source} ({finding.limit_status})",
        "places": [{"s": round(time, 3), "clock": clock(time)} for time in finding.times_s[:12]],
    }


def _facts(ranked: RankedTake) -> list[tuple[str, str]]:
    m = ranked.result.measurements
    return [
        ("Loudness", number(m.loudness.integrated_lufs, 1, "LUFS")),
        ("True peak", number(m.true_peak.level_dbtp, 1, "dBTP")),
        ("Noise floor", number(m.noise.floor_dbfs, 0, "dBFS")),
        ("Signal to noise", number(m.noise.snr_db, 0, "dB")),
        ("RT60", number(m.reverberation.rt60_s, 2, "s")),
        ("Pace", number(m.speech.syllables_per_s, 1, "syllables/s")),
    ]


def _phrase(phrase: Phrase) -> dict[str, Any]:
    return {
        "number": phrase.number,
        "readings": [_reading(reading, phrase) for reading in phrase.readings],
    }


def _reading(reading: Reading, phrase: Phrase) -> dict[str, Any]:
    level = "" if reading.level_db is None else f"{reading.level_db:+.1f} dB"
    pace = "" if reading.pace is None else f"pace {100 * reading.pace:.0f} %"
    return {
        "points": f"{reading.points:.1f}",
        "chosen": phrase.chosen == reading.take,
        "read": reading.read,
        "words": ", ".join(part for part in (level, pace, *reading.reasons) if part),
        "shade": min(4, round(reading.points)),
    }


def _matching_gains(loudness: list[float | None]) -> list[float]:
    """Return how far each take is turned down so that all of a line are equally loud."""
    known = [level for level in loudness if level is not None and level > -np.inf]
    if not known:
        return [0.0] * len(loudness)
    aim = max(min(known), max(known) - MATCH_MOST_DB)
    return [
        0.0 if level is None or level == -np.inf else min(0.0, aim - level) for level in loudness
    ]


def _sound(
    path: str, folder: Path, copy: ListeningCopy | None, gain_db: float
) -> dict[str, str | float]:
    if copy is None:
        return {"sound": _address(path, folder), "volume": _volume(gain_db)}
    return {"sound": copy.address, "volume": _volume(gain_db - copy.gain_db)}


def _volume(gain_db: float) -> float:
    """Return a gain as the volume of a player, which cannot turn anything up."""
    return round(float(min(1.0, 10 ** (gain_db / 20))), 4)


def _address(path: str, folder: Path) -> str:
    try:
        relative = os.path.relpath(path, folder)
    except ValueError:  # another drive
        return Path(path).absolute().as_uri()
    return quote(Path(relative).as_posix())


def _column(time_s: float, duration_s: float, picture: Picture) -> int:
    return round(time_s / duration_s * len(picture.low)) if duration_s else 0


def wave_path(picture: Picture) -> str:
    """Return a waveform as the data of one SVG path: down the upper edge, back along the lower."""
    peak = max(float(np.abs(picture.low).max()), float(np.abs(picture.high).max()), 1e-6)
    middle = WAVE_HEIGHT / 2
    upper = np.rint(middle - picture.high / peak * middle).astype(int)
    lower = np.rint(middle - picture.low / peak * middle).astype(int)
    forth = " ".join(f"{x},{y}" for x, y in enumerate(upper.tolist()))
    back = " ".join(f"{x},{y + 1}" for x, y in reversed(list(enumerate(lower.tolist()))))
    return f"M{forth} L{back}Z"


def spectrum_address(picture: Picture) -> str:
    """Return a spectrogram as the ``data:`` address of a PNG in shades of one color."""
    from PIL import Image

    # 32 shades look the same as 256 here and pack into half the bytes.
    image = Image.fromarray(picture.spectrum // 8).convert("P")
    dark, light = np.array([20, 30, 38]), np.array([255, 226, 160])
    shades = np.linspace(0.0, 1.0, 32)[:, np.newaxis] ** 1.3
    image.putpalette((dark + shades * (light - dark)).astype(np.uint8).ravel().tolist())
    out = io.BytesIO()
    image.save(out, "PNG", optimize=True, bits=5)
    return "data:image/png;base64," + base64.b64encode(out.getvalue()).decode("ascii")
