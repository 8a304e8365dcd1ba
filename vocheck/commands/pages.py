"""Writing pages and sheets, for every command that offers them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from vocheck.commands.options import deliver
from vocheck.takes.overview import Overview

if TYPE_CHECKING:
    from vocheck.edit.assembly import Assembly
    from vocheck.edit.plan import LineEdit
    from vocheck.mix import MixResult
    from vocheck.policy.tolerances import Edit
    from vocheck.takes.listening import ListeningCopy


def write_page(overview: Overview, page: Path, embed_audio: bool) -> None:
    """Write the page of a session, with listening copies inside where asked."""
    from vocheck.report.page import render_page

    copies = _copies(overview) if embed_audio else {}
    folder = page.absolute().parent
    deliver(render_page(overview, session_title(overview), folder, copies), page)


def write_comp_page(
    overview: Overview,
    page: Path,
    embedded: Sequence[LineEdit],
    edit: Edit,
    assembly: Assembly | None = None,
) -> None:
    """Write the page of the comp sheets.

    Parameters
    ----------
    overview : Overview
    page : Path
    embedded : sequence of LineEdit
        The plan of every line, where listening copies are to be inside: of the takes, and of the
        path as it is joined.
    edit : Edit
    assembly : Assembly or None
        The path as it was rendered to be heard beside the page.
    """
    from vocheck.report.page import render_comp_page

    copies = _copies(overview) if embedded else {}
    folder = page.absolute().parent
    title = session_title(overview)
    if not embedded:
        deliver(render_comp_page(overview, title, folder, copies, assembly), page)
        return
    from tempfile import TemporaryDirectory

    from vocheck.edit.assembly import assemble
    from vocheck.takes.listening import listening_copy

    with TemporaryDirectory() as place:
        assembly = assemble(embedded, Path(place) / "joined.wav", edit)
        paths = {
            part.line: listening_copy(assembly.path, span_s=(part.start_s, part.end_s))
            for part in assembly.parts
        }
    deliver(render_comp_page(overview, title, folder, copies, assembly, paths), page)


def write_mix_page(
    results: Sequence[MixResult], page: Path, embed_audio: bool, track: int | None = None
) -> None:
    """Write the page of final mixes, with listening copies inside where asked.

    Parameters
    ----------
    results : sequence of MixResult
    page : Path
    embed_audio : bool
    track : int, optional
        The track that was asked for.
    """
    from vocheck.report.page import render_mix_page

    copies = {}
    if embed_audio:
        from functools import partial

        from vocheck.mix.sound import open_mix
        from vocheck.takes.listening import listening_copy

        opened = partial(open_mix, track=track)
        copies = {result.path: listening_copy(result.path, opened) for result in results}
    deliver(render_mix_page(results, page.absolute().parent, copies), page)


def _copies(overview: Overview) -> dict[str, ListeningCopy]:
    from vocheck.takes.listening import voice_copy

    return {path: voice_copy(path) for path in overview.pictures}


def write_sheet(overview: Overview, sheet: Path) -> None:
    """Write the session as a PDF."""
    from vocheck.files import replacing
    from vocheck.report.sheet import render_session_pdf

    content = render_session_pdf(overview, session_title(overview))
    with replacing(sheet) as temporary:
        temporary.write_bytes(content)


def session_title(overview: Overview) -> str:
    """Return what to call a session: the name of the folder that its first take is in."""
    return folder_name(overview.pictures)


def folder_name(paths: Iterable[str | Path]) -> str:
    """Return the name of the folder that the first take is in."""
    return Path(next(iter(paths), "takes")).absolute().parent.name
