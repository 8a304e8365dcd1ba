"""Writing the page and the sheet of a session, for every command that offers them."""

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
    deliver(render_page(overview, session_title(overview), folder, copies), page)


def write_sheet(overview: Overview, sheet: Path) -> None:
    """Write the session as a PDF."""
    from vocheck.files import replacing
    from vocheck.report.sheet import render_session_pdf

    content = render_session_pdf(overview, session_title(overview))
    with replacing(sheet) as temporary:
        temporary.write_bytes(content)


def session_title(overview: Overview) -> str:
    """Return what to call a session: the name of the folder that its first take is in."""
    return Path(next(iter(overview.pictures), "takes")).absolute().parent.name
