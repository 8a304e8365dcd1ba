"""Frames of a picture and their labels: SMPTE timecode, drop frame included.

A frame is a number from midnight on; its label is hours, minutes, seconds and frames. Rates are
exact fractions: 29.97 is 30000/1001. Drop frame leaves out labels, no frames: the first two of each
minute (four at 59.94), but not of each tenth minute, so that labels keep up with the clock to a few
frames a day.

References
----------
.. [1] SMPTE ST 12-1:2014, Time and Control Code, section 5.2 (up to 30 frames), from memory.
.. [2] SMPTE ST 12-3:2016, Time Code for High Frame Rate Signals (50, 59.94 and 60 frames), from
   memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

NEEDS_EXTRA = "for timelines as .otio: pip install 'vocheck[edit]'"

_LABEL = re.compile(r"(\d\d):([0-5]\d):([0-5]\d)[:;](\d\d)")
_KEPT_MINUTES = 10
"""Each tenth minute keeps all its labels."""


@dataclass(frozen=True)
class FrameRate:
    """A rate of frames, and how they are counted.

    Attributes
    ----------
    name : str
    frames : int
        Labels in a second.
    exact : Fraction
        Frames in a second.
    drop : bool
        Whether it is drop frame.
    """

    name: str
    frames: int
    exact: Fraction
    drop: bool = False

    @property
    def frames_a_day(self) -> int:
        """How many frames have labels of their own, 00:00:00:00 to the last before midnight."""
        return 24 * 60 * self._minute - self._dropped * (24 * 60 - 24 * 60 // _KEPT_MINUTES)

    @property
    def _minute(self) -> int:
        return 60 * self.frames

    @property
    def _dropped(self) -> int:
        """Labels left out at the start of a minute: 2 of 30, 4 of 60."""
        return self.frames // 15 if self.drop else 0

    def nearest(self, seconds: Fraction) -> int:
        """Return the frame whose start lies nearest to a time after the first frame's."""
        return round(seconds * self.exact)

    def seconds(self, frame: int) -> Fraction:
        """Return when a frame starts, after the first frame's."""
        return frame / self.exact

    def label(self, frame: int) -> str:
        """Return the label of a frame, ``01:00:00:00``; ``01:00:00;00`` where it is drop frame.

        After midnight the labels begin again.
        """
        number = frame % self.frames_a_day
        if self.drop:
            tens, rest = divmod(number, _KEPT_MINUTES * self._minute - 9 * self._dropped)
            # The first minute of ten is whole, the other nine are shorter.
            later = max(0, rest - self._minute) // (self._minute - self._dropped)
            minutes = later + (rest >= self._minute)
            number += self._dropped * (9 * tens + minutes)
        seconds, frames = divmod(number, self.frames)
        separator = ";" if self.drop else ":"
        hours, minutes = seconds // 3600, seconds // 60 % 60
        return f"{hours:02d}:{minutes:02d}:{seconds % 60:02d}{separator}{frames:02d}"

    def frame(self, label: str) -> int:
        """Return the frame of a label, written with colons or a semicolon.

        Raises
        ------
        ValueError
            If it is no label, or none of this rate.
        """
        found = _LABEL.fullmatch(label.strip())
        if found is None:
            raise ValueError(f"{label} is no timecode")
        hours, minutes, seconds, frames = map(int, found.groups())
        if hours > 23 or frames >= self.frames:
            raise ValueError(f"{label} is no timecode at {self.name} frames a second")
        if seconds == 0 and frames < self._dropped and minutes % _KEPT_MINUTES:
            raise ValueError(f"{label} is left out by drop frame")
        minutes += 60 * hours
        number = (60 * minutes + seconds) * self.frames + frames
        return number - self._dropped * (minutes - minutes // _KEPT_MINUTES)


def _ntsc(name: str, frames: int, drop: bool = False) -> FrameRate:
    return FrameRate(name, frames, Fraction(1000 * frames, 1001), drop)


RATES = {
    rate.name: rate
    for rate in (
        _ntsc("23.976", 24),
        FrameRate("24", 24, Fraction(24)),
        FrameRate("25", 25, Fraction(25)),
        _ntsc("29.97", 30),
        _ntsc("29.97df", 30, drop=True),
        FrameRate("30", 30, Fraction(30)),
        FrameRate("50", 50, Fraction(50)),
        _ntsc("59.94", 60),
        _ntsc("59.94df", 60, drop=True),
        FrameRate("60", 60, Fraction(60)),
    )
}
"""The rates by the names that they are asked for by."""
