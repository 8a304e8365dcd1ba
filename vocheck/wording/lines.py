"""The lines of a voice-over in the mix, in words."""

from __future__ import annotations

from collections.abc import Sequence

from vocheck.mix.results import LineInMix
from vocheck.wording.vocabulary import clock, clocks, file_name, listed, number


def lines_sentence(lines: Sequence[LineInMix]) -> str:
    """Return in a sentence or two how the lines stand in the mix."""
    said = []
    for words, found in (
        ("sunk in the bed", [line for line in lines if line.balance == "sunk"]),
        ("weak over the bed", [line for line in lines if line.balance == "weak"]),
        ("cut flat", [line for line in lines if line.clipped_s]),
        ("another take than chosen", [line for line in lines if line.state == "another take"]),
        ("only a part", [line for line in lines if line.state == "in part"]),
        ("not found", [line for line in lines if line.state == "missing"]),
        ("cannot be told", [line for line in lines if line.state == "cannot tell"]),
    ):
        if found:
            said.append(f"{words}: {listed(line.line for line in found)}")
    if not said:
        return "Every line is the chosen take and stands clear over the bed."
    words = "; ".join(said)
    return f"{words[0].upper()}{words[1:]}."


def lead_words(line: LineInMix) -> str:
    """Return how far the voice stands over the bed, and where least."""
    if line.voice_to_bed_lu is None:
        return "–"
    words = f"{number(line.voice_to_bed_lu, unit='LU')} over the bed"
    if line.closest_lu is not None and line.closest_s is not None:
        words += f", least {number(line.closest_lu, unit='LU')} at {clock(line.closest_s)}"
    return words


def what(line: LineInMix) -> str:
    """Return what is to know of a line beside how far it stands over the bed."""
    said = []
    if line.balance == "sunk":
        said.append("the voice sinks in the bed")
    elif line.balance == "weak":
        said.append("the voice stands weak over the bed")
    if line.state == "another take":
        said.append(f"it is {file_name(line.found or '')}, not {file_name(line.chosen)}")
    elif line.state == "in part":
        said.append(f"{line.share or 0.0:.0%} of {file_name(line.chosen)} was found")
    elif line.state == "missing":
        said.append(f"{file_name(line.chosen)} was not found: cut, or changed too far to tell")
    elif line.state == "cannot tell":
        said.append("mixes of more than 15 min are not looked into")
    elif line.balance is None:
        said.append("how far it stands over the bed cannot be told")
    if line.clipped_s:
        said.append(f"the mix is cut flat at {clocks(line.clipped_s, 3)}")
    return "; ".join(said)
