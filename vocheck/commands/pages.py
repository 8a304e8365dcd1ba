"""Writing the page of a session, for every command that offers one."""

from __future__ import annotations

from pathlib import Path

from vocheck.commands.options import deliver
from vocheck.overview import Overview


def write_page(overview: Overview, page: Path, embed_audio: bool) -> None:
    """Write the page of a session, with listening copies inside where asked."""
    from vocheck.report.page import render_page

    copies = {}
    if embed_audio:
        from vocheck.listening import listening_copy

        copies = {path: listening_copy(path) for path in overview.pictures}
    folder = page.absolute().parent
    title = Path(next(iter(overview.pictures), "takes")).absolute().parent.name
    deliver(render_page(overview, title, folder, copies), page)
