"""What every browser sees: values by name, each with the version at which it was last set.

A browser asks for all that is newer than what it has seen, and gets the latest of each; what came
between is not kept. So a connection that was lost catches up, a slow one skips, and however long a
session is, the board is as large as what it shows.

A version is ``START-NUMBER``: the start tells one run of the server from another. A browser that
comes with a version of another run gets everything.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

MOST_GONE = 200
"""Names that were taken down and are remembered; who has missed more gets everything anew."""


@dataclass(frozen=True)
class News:
    """What a browser has not seen yet.

    Attributes
    ----------
    version : str
        Of the board now.
    whole : bool
        Whether this is all there is: what the browser shows beside it is gone.
    values : dict of str to object
        By name; ``None`` for one that was taken down.
    """

    version: str
    whole: bool
    values: dict[str, Any]


class Board:
    """Values by name, set from any thread."""

    def __init__(self) -> None:
        self._start = secrets.token_hex(4)
        self._lock = threading.Lock()
        self._number = 0
        self._values: dict[str, tuple[int, Any]] = {}
        self._gone: dict[str, int] = {}
        self._forgotten = 0  # the newest version of a name that is no longer remembered as gone
        self._listeners: set[Callable[[], None]] = set()

    def set(self, name: str, value: Any) -> None:
        """Show a value, which JSON can hold; ``None`` takes the name down."""
        with self._lock:
            _, old = self._values.get(name, (0, None))
            if old == value:
                return
            self._number += 1
            # What changed last stands last.
            self._values.pop(name, None)
            self._gone.pop(name, None)
            if value is None:
                self._gone[name] = self._number
                if len(self._gone) > MOST_GONE:
                    self._forgotten = self._gone.pop(next(iter(self._gone)))
            else:
                self._values[name] = (self._number, value)
            listeners = [*self._listeners]
        for tell in listeners:
            tell()

    def get(self, name: str) -> Any:
        """Return the value of a name; ``None`` where there is none."""
        with self._lock:
            return self._values.get(name, (0, None))[1]

    def names(self, prefix: str) -> list[str]:
        """Return the names that begin with `prefix`."""
        with self._lock:
            return [name for name in self._values if name.startswith(prefix)]

    def since(self, version: str) -> News | None:
        """Return what is newer than a version; ``None`` where nothing is."""
        with self._lock:
            now = f"{self._start}-{self._number}"
            seen = self._seen(version)
            if seen is None:
                return News(now, True, {name: value for name, (_, value) in self._values.items()})
            if seen == self._number:
                return None
            values = {name: value for name, (at, value) in self._values.items() if at > seen}
            gone = {name: None for name, at in self._gone.items() if at > seen}
            return News(now, False, {**values, **gone})

    def _seen(self, version: str) -> int | None:
        """Return the number of a version of this run that can be caught up with."""
        start, _, number = version.partition("-")
        if start != self._start or not number.isascii() or not number.isdigit():
            return None
        if len(number) > 18 or not self._forgotten <= int(number) <= self._number:
            return None
        return int(number)

    def listen(self, tell: Callable[[], None]) -> Callable[[], None]:
        """Call `tell` after each change, from the thread that made it; returns how to stop."""
        with self._lock:
            self._listeners.add(tell)
        return lambda: self._listeners.discard(tell)
