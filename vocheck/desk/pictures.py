"""A stretch of a take, drawn as large as the whole: waveform and spectrogram to zoom into."""

from __future__ import annotations

import asyncio
import json
import math
import os
from collections import OrderedDict
from collections.abc import Mapping
from concurrent.futures import Executor
from typing import TYPE_CHECKING

from vocheck.audio.readers import read
from vocheck.desk.inside import Inside
from vocheck.recording import Recording
from vocheck.report.page.drawing import spectrum_address, wave_path
from vocheck.takes.overview import draw

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from vocheck.desk.app import Answer

SHORTEST_S = 0.2
"""No stretch is shorter: a spectrogram needs some of its windows."""
MOST_KEPT = 64
"""Drawings that are kept, 30 kB each."""


def draw_stretch(path: str, from_s: float, to_s: float) -> str:
    """Return the drawings of a stretch as JSON: work for a worker.

    Raises
    ------
    AudioError
        If the take cannot be read.
    """
    recording = read(path)
    first = round(max(0.0, from_s) * recording.rate)
    last = max(first + round(SHORTEST_S * recording.rate), round(to_s * recording.rate))
    last = min(last, len(recording.samples))
    first = max(0, min(first, last - round(SHORTEST_S * recording.rate)))
    picture = draw(Recording(recording.samples[first:last], recording.rate))
    return json.dumps(
        {
            "from": first / recording.rate,
            "to": last / recording.rate,
            "wave": wave_path(picture),
            "columns": len(picture.low),
            "spectrum": spectrum_address(picture),
        }
    )


class Pictures:
    """Answers with drawings of stretches.

    Parameters
    ----------
    inside : Inside
    executor : concurrent.futures.Executor
        Where they are drawn.
    """

    names: tuple[str, ...] = ()

    def __init__(self, inside: Inside, executor: Executor) -> None:
        self._inside = inside
        self._executor = executor
        self._kept: OrderedDict[tuple[object, ...], str] = OrderedDict()
        self.gets: Mapping[str, Answer] = {"/picture/{name}": self.answer}
        self.posts: Mapping[str, Answer] = {}

    def look(self, changed: bool) -> None:
        """Nothing is shown unasked."""

    def close(self) -> None:
        """Nothing is left to end."""

    async def answer(self, request: Request) -> Response:
        """Answer with the drawings of the stretch that was asked for."""
        from starlette.responses import Response

        path = self._inside.find(request.path_params["name"])
        try:
            from_s, to_s = (float(request.query_params[key]) for key in ("from", "to"))
        except (KeyError, ValueError):
            return Response(status_code=404)
        if path is None or not (math.isfinite(from_s) and math.isfinite(to_s)):
            return Response(status_code=404)
        facts = path.stat()
        key = (path, facts.st_mtime_ns, facts.st_size, round(from_s, 3), round(to_s, 3))
        drawn = self._kept.pop(key, None)
        if drawn is None:
            work = self._executor.submit(draw_stretch, os.fspath(path), from_s, to_s)
            drawn = await asyncio.wrap_future(work)
        self._kept[key] = drawn
        while len(self._kept) > MOST_KEPT:
            self._kept.popitem(last=False)
        return Response(drawn, media_type="application/json")
