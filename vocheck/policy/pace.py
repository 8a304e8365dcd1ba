"""How long a text takes to read.

Read time is predicted from the number of words at three paces (``pace.toml``), pauses included. It
is a forecast: a talent reads up to a fifth faster or slower.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from vocheck.policy.tolerances import PACE, Pace
from vocheck.results import Result
from vocheck.script.text import syllables_in, words_of


@dataclass(frozen=True, kw_only=True)
class ReadTime(Result):
    """How long a text takes to read.

    Attributes
    ----------
    line : str
    words, syllables : int
        Syllables are counted by groups of vowels: right for English within a few percent.
    calm_s, usual_s, brisk_s : float
        At 130, 160 and 180 words per minute.
    slot_s : float or None
        The time there is.
    fits : {"calm", "usual", "brisk", "too long"} or None
        The calmest pace at which it fits the slot.
    words_over : int
        Words to cut so that it fits at the usual pace.
    """

    line: str
    words: int
    syllables: int
    calm_s: float
    usual_s: float
    brisk_s: float
    slot_s: float | None
    fits: str | None
    words_over: int


def read_time(
    text: str,
    slot_s: float | None = None,
    line: str = "",
    paces: Mapping[str, Pace] | None = None,
) -> ReadTime:
    """Predict how long a text takes to read, and whether it fits a slot.

    Parameters
    ----------
    text : str
    slot_s : float, optional
        The time there is, in seconds.
    line : str
        Carried into the result.
    paces : mapping of str to Pace, optional
        Calmest first; the shipped ones where omitted.
    """
    paces = PACE.load() if paces is None else paces
    words = words_of(text)
    times = {name: 60.0 * len(words) / pace.words_per_minute for name, pace in paces.items()}
    fits = None
    over = 0
    if slot_s is not None:
        fits = next((name for name, time in times.items() if time <= slot_s), "too long")
        room = int(slot_s * paces["usual"].words_per_minute / 60.0)
        over = max(0, len(words) - room)
    return ReadTime(
        line=line,
        words=len(words),
        syllables=sum(map(syllables_in, words)),
        calm_s=times["calm"],
        usual_s=times["usual"],
        brisk_s=times["brisk"],
        slot_s=slot_s,
        fits=fits,
        words_over=over,
    )
