"""What the pages share: the template engine, and how they find the sound."""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from vocheck.dsp.decibels import amplitude_ratio
from vocheck.takes.listening import ListeningCopy

if TYPE_CHECKING:
    from jinja2 import Environment


def render(template: str, **values: Any) -> str:
    """Return a page. Every value is untrusted text: the engine escapes it.

    Parameters
    ----------
    template : str
        Name of a file beside this one.
    **values
        What it shows.
    """
    return _environment().get_template(template).render(**values)


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("vocheck.report", "page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def sound(
    path: str, folder: Path, copy: ListeningCopy | None, gain_db: float = 0.0
) -> dict[str, str | float]:
    """Return the address of a sound and the volume to play it at.

    Parameters
    ----------
    path : str
        The recording.
    folder : Path
        Where the page stands: the recording is linked relative to it.
    copy : ListeningCopy or None
        A copy to play instead.
    gain_db : float
        How far the recording is to be turned down, 0 or negative.
    """
    if copy is None:
        return {"sound": address(path, folder), "volume": _volume(gain_db)}
    return {"sound": copy.address, "volume": _volume(gain_db - copy.gain_db)}


def _volume(gain_db: float) -> float:
    """Return a gain as the volume of a player, which cannot turn anything up."""
    return round(float(min(1.0, amplitude_ratio(gain_db))), 4)


def address(path: str, folder: Path) -> str:
    """Return the address of a file, relative to the folder of what names it."""
    try:
        relative = os.path.relpath(path, folder)
    except ValueError:  # another drive
        return Path(path).absolute().as_uri()
    return quote(os.fsencode(Path(relative).as_posix()))  # a name need be no UTF-8
