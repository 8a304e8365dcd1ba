"""What goes into the edit, in sentences."""

from __future__ import annotations

from vocheck.edit.assembly import Assembly
from vocheck.wording.vocabulary import counted, listed, number, span


def assembly_sentences(assembly: Assembly) -> list[str]:
    """Return what a rough assembly holds, and what it lacks."""
    joins = sum(len(part.joins_s) for part in assembly.parts)
    gains = [gain for part in assembly.parts for gain in part.gains_db.values()]
    word = "32-bit float" if assembly.bits is None else f"{assembly.bits} bits"
    turned = f"{span(min(gains), max(gains), 1, sign='+')} dB"
    told = [
        f"{assembly.path}: {counted(len(assembly.parts), 'line')}, {counted(joins, 'join')}, "
        f"{number(assembly.duration_s, 1, 's')}, {assembly.rate_hz} Hz, {word}; levels changed by "
        f"{turned}"
    ]
    if assembly.without_tone:
        told.append(
            f"{assembly.path}: silence stands beside {listed(assembly.without_tone)}: no pause of "
            "these takes is long and steady enough for room tone"
        )
    return told
