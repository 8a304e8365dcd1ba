"""Sound for the browser: the recording itself by ranges, or a copy that it can play.

Browsers play WAV, FLAC, MP3, Ogg and mostly MP4; of everything else, and of what one of them cannot
play after all, a copy is made as FLAC: once for each run, in a worker, in a folder that is removed
in the end.
"""

from __future__ import annotations

import asyncio
import os
import tempfile
from collections.abc import Mapping
from concurrent.futures import Executor
from pathlib import Path
from typing import TYPE_CHECKING

from vocheck.desk.inside import Inside
from vocheck.takes.listening import write_copy

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from vocheck.desk.app import Answer

_PLAYED = {
    **dict.fromkeys((".wav", ".wave", ".bwf"), "audio/wav"),
    ".flac": "audio/flac",
    ".mp3": "audio/mpeg",
    **dict.fromkeys((".ogg", ".oga", ".opus"), "audio/ogg"),
    **dict.fromkeys((".m4a", ".mp4", ".mov"), "audio/mp4"),
    ".webm": "audio/webm",
}
_COPY = "audio/flac"


class Sounds:
    """Answers with the sound of a file.

    Parameters
    ----------
    inside : Inside
    executor : concurrent.futures.Executor
        Where copies are made.
    """

    def __init__(self, inside: Inside, executor: Executor) -> None:
        self._inside = inside
        self._executor = executor
        self._folder = tempfile.TemporaryDirectory(prefix="vocheck-desk-")
        self._making: dict[Path, asyncio.Future[None]] = {}
        self.gets: Mapping[str, Answer] = {"/sound/{name}": self.answer}

    def close(self) -> None:
        """Remove the copies."""
        self._folder.cleanup()

    async def answer(self, request: Request) -> Response:
        """Answer with a range of the sound; 304 where the browser has it as it is."""
        from starlette.responses import FileResponse, Response

        path = self._inside.find(request.path_params["name"])
        if path is None:
            return Response(status_code=404)
        kind = _PLAYED.get(path.suffix.lower())
        if kind is None or request.query_params.get("as") == "copy":
            path, kind = await self._copy(path), _COPY
        facts = path.stat()
        tag = f'"{facts.st_mtime_ns:x}-{facts.st_size:x}"'
        headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers=headers)
        return FileResponse(path, media_type=kind, headers=headers, stat_result=facts)

    async def _copy(self, path: Path) -> Path:
        """Return the copy of a recording, made now or before; one maker for all who ask."""
        facts = path.stat()
        name = f"{self._inside.id_of(path)}-{facts.st_mtime_ns:x}-{facts.st_size:x}.flac"
        copy = Path(self._folder.name) / name
        if not copy.exists():
            if copy not in self._making:
                work = self._executor.submit(write_copy, os.fspath(path), os.fspath(copy))
                self._making[copy] = asyncio.wrap_future(work)
            try:
                await asyncio.shield(self._making[copy])
            finally:
                self._making.pop(copy, None)
        return copy
