"""Find the passes in one long recording."""

from __future__ import annotations

import os

from vocheck.errors import SessionError
from vocheck.passes.listened import listen
from vocheck.passes.results import Passes
from vocheck.passes.scripted import ScriptReader, passes_of
from vocheck.passes.unscripted import passes_by_sound
from vocheck.script.text import Script


def find_passes(
    path: str | os.PathLike[str], script: Script | None = None, script_name: str = "the script"
) -> Passes:
    """Find where each line is read, and each attempt of it, in a recording of any length.

    Parameters
    ----------
    path : path-like
        It is read twice, block by block; only stretches of speech are in memory.
    script : Script, optional
        The lines are told by their words (English, and the extra ``vocheck[script]``). Where
        omitted, readings of the same words are told by their sound, in any language.
    script_name : str
        What messages call the script.

    Raises
    ------
    AudioError
        If the file cannot be read.
    SessionError
        If there is no speech in it, or hardly more than one reading, or none of the script.
    """
    path = os.fspath(path)
    reader = None if script is None else ScriptReader(script, script_name)
    heard = list(listen(path, None if reader is None else reader.hear))
    if not heard:
        raise SessionError(f"{path}: no speech was found")
    if len(heard) == 1 and not heard[0].voice.noise:
        raise SessionError(
            f"{path}: holds one stretch of speech, without a longer pause: it is a take; check it "
            "with 'vocheck take'"
        )
    passes = passes_by_sound(heard) if reader is None else passes_of(reader, heard)
    if not any(one.line is not None for one in passes):
        why = (
            "nothing was said twice: without a script, lines are told by being read again"
            if reader is None
            else f"no line of {script_name} was heard: was another text read?"
        )
        raise SessionError(f"{path}: {why}")
    return Passes(path=path, passes=tuple(passes))
