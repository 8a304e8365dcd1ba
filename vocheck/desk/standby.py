"""Standing by while takes are recorded: each is measured when it is finished, and told on a stage.

What happens in the folder (`vocheck.booth.folder`) is taken in here, for the terminal of the booth
and for the pages alike; a `Stage` is one of them.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Protocol

from vocheck.booth import Booth, forecast_headroom, has_speech, is_test_read
from vocheck.booth.folder import Event, Finished, Gone, Renamed, Watcher
from vocheck.booth.linelog import LineLog, read_lines
from vocheck.errors import VocheckError
from vocheck.plain import plain
from vocheck.report.json import render_json_line
from vocheck.script.reading import can_hear_words
from vocheck.script.text import text_of
from vocheck.session.each import Failure, each
from vocheck.session.lineup import take_name
from vocheck.session.names import says_no_take
from vocheck.session.settings import Settings
from vocheck.session.take import TakeResult, check_all, hear_words
from vocheck.wording import booth as wording
from vocheck.wording.booth import Screen


class Stage(Protocol):
    """Where the session is shown."""

    def found(self, count: int) -> None:
        """Tell that so many recordings were there before, and are measured now."""

    def verdict(self, screen: Screen) -> None:
        """Show what was just recorded."""

    def words(self, screen: Screen, take: TakeResult) -> None:
        """Show a take that stands there already once its words were heard."""

    def note(self, screen: Screen, note: str) -> None:
        """Show what stands there now, and tell what has happened beside it."""

    def lines(self, screen: Screen) -> None:
        """Show the table of lines, after what was there before."""

    def ring(self) -> None:
        """Ring."""


class Standby:
    """Takes in what the watcher tells, and says, shows and writes down what follows from it.

    Parameters
    ----------
    watcher : Watcher
    booth : Booth
    settings : Settings
    log : LineLog or None
        Where results are written down; without one, nowhere.
    stages : sequence of Stage
    """

    def __init__(
        self,
        watcher: Watcher,
        booth: Booth,
        settings: Settings,
        log: LineLog | None,
        stages: Sequence[Stage],
    ) -> None:
        self.booth = booth
        self.screen = wording.standing_by()
        self._watcher = watcher
        self._log = log
        self._stages = stages
        self._settings = settings if can_hear_words() else replace(settings, script=None)
        self._written = {
            (line.get("path"), line.get("sha256"), bool(line.get("reading")))
            for line in (read_lines(log.path) if log is not None else ())
        }
        self._last: TakeResult | None = None

    def warm_up(self) -> None:
        """Start a worker now, or the first take waits for it."""
        if self._settings.executor is not None:
            self._settings.executor.submit(os.getpid).result()

    def catch_up(
        self, events: Iterable[Event], between: Callable[[int, int], None] | None = None
    ) -> None:
        """Take in what was recorded before the watching began, without a word on each.

        Parameters
        ----------
        events : iterable of Event
        between : callable, optional
            Called after each with how many are done, and how many there are.
        """
        there = [e.path for e in events if isinstance(e, Finished) and e.before]
        if not there:
            return
        for stage in self._stages:
            stage.found(len(there))
        for done, result in enumerate(check_all(there, self._settings), 1):
            self._write(result)
            if not isinstance(result, Failure) and _is_take(result):
                self.booth.add(result)
            if between is not None:
                between(done, len(there))
        for stage in self._stages:
            stage.lines(self.screen)

    def rejudge(self, settings: Settings) -> None:
        """Judge every take anew, as other settings say; what was measured is recalled."""
        self._settings = settings if can_hear_words() else replace(settings, script=None)
        self.booth.policy = settings.policy
        known = [take.path or "" for take in self.booth.takes]
        for result in check_all(known, self._settings):
            if not isinstance(result, Failure) and self.booth.known(result.path or "") is not None:
                self.booth.add(result)
                if self._last is not None and self._last.path == result.path:
                    self._last = result
        if self._last is not None:
            self.screen = wording.screen_of_take(self._last, self.booth)
        for stage in self._stages:
            stage.lines(self.screen)

    def handle(self, event: Event) -> None:
        """Do what one event asks for."""
        if isinstance(event, Finished):
            if not event.before:
                self._measure(event.path)
        elif isinstance(event, Gone):
            if (take := self.booth.remove(str(event.path))) is not None:
                self._last = None if self._last is take else self._last
                self._say(plain(f"{event.path.name} was deleted."))
        elif (take := self.booth.remove(str(event.old))) is not None:
            self._rename(take, event.new)
        else:
            self._measure(event.new)

    def _measure(self, path: Path) -> None:
        (result,) = check_all([path], replace(self._settings, script=None))
        if not self._watcher.is_settled(path):
            return  # written to or taken away meanwhile: another event will tell
        known = self.booth.known(str(path))
        self._write(result)
        if known is not None and known.sha256 == getattr(result, "sha256", None):
            return  # touched, not recorded again
        if isinstance(result, Failure):
            self.booth.remove(str(path))
        elif _is_other_sound(result):
            self._say(plain(f"{path.name} is there: by its name no take."))
            return
        self.screen = self._taken_in(result, again=known is not None)
        for stage in self._stages:
            stage.verdict(self.screen)
        self._ring(self.screen.kind == "retake")
        if self.booth.known(str(path)) is result:
            self._listen(result)

    def _taken_in(self, result: TakeResult | Failure, *, again: bool) -> Screen:
        """Note what was recorded, and return what is shown of it."""
        if isinstance(result, Failure):
            return wording.screen_of_failure(result)
        if is_test_read(result.path or ""):
            self.booth.test_read = forecast_headroom(result, self._settings.policy)
            return wording.screen_of_test_read(result, self.booth.test_read)
        if not _is_take(result):
            self.booth.room_tone = result
            return wording.screen_of_tone(result)
        self.booth.add(result)
        self._last = result
        return wording.screen_of_take(result, self.booth, again=again)

    def _listen(self, take: TakeResult) -> None:
        """Hold a take against the script, which takes longer than its verdict may."""
        text, path = self._text(take), Path(take.path or "")
        if text is None:
            return
        work = partial(hear_words, result=take, text=text, rules=self._settings.policy.words)
        (heard,) = each(work, [path], self._settings)
        if isinstance(heard, Failure):
            return  # taken away meanwhile: another event will tell
        if self._watcher.is_settled(path):
            self.booth.add(heard)
            self._last = heard if self._last is take else self._last
            self._write(heard)
            self.screen = wording.screen_of_take(heard, self.booth)
            for stage in self._stages:
                stage.words(self.screen, heard)
            self._ring(wording.is_worse(wording.kind_of(heard), wording.kind_of(take)))

    def _ring(self, needed: bool) -> None:
        if needed:
            for stage in self._stages:
                stage.ring()

    def _text(self, take: TakeResult) -> str | None:
        return text_of(self._settings.script, take.line)

    def _rename(self, take: TakeResult, path: Path) -> None:
        """Move a take in the table; nothing is measured again, unless its words are now others."""
        renamed = self._under_name(take, path)
        told = plain(f"{Path(take.path or '').name} is now {path.name}.")
        if self._text(renamed) != self._text(take):
            self._say(told)
            self._measure(path)
            return
        self._last = renamed if self._last is take else self._last
        self.booth.add(renamed)
        self._write(renamed)
        self._say(told)

    def _under_name(self, take: TakeResult, path: Path) -> TakeResult:
        """Return a take as its new name tells line and number."""
        name = take_name(path, self._settings.pattern, self._settings.notes)
        return replace(
            take,
            path=str(path),
            line=name.line if name else None,
            take=name.take if name else None,
            source=replace(take.source, path=str(path)),
        )

    def _say(self, note: str) -> None:
        """Tell what has happened to a take that was told before."""
        last = self._last
        self.screen = (
            wording.standing_by() if last is None else wording.screen_of_take(last, self.booth)
        )
        for stage in self._stages:
            stage.note(self.screen, note)

    def _write(self, result: TakeResult | Failure) -> None:
        """Write a result down, unless an earlier session has it already."""
        sha256, reading = getattr(result, "sha256", None), getattr(result, "reading", None)
        key = (result.path, sha256, reading is not None)
        if self._log is not None and key not in self._written:
            self._written.add(key)
            self._log.append(render_json_line(result))


def handle_safely(standby: Standby, event: Event) -> str:
    """Handle an event; a fault of vocheck's own costs one take its verdict, not the session.

    Returns
    -------
    str
        What went wrong, in one line; empty where nothing did.

    Raises
    ------
    VocheckError
        What concerns every take: the results cannot be written, or the limits are malformed.
    """
    with suppress(KeyError):
        if os.environ["VOCHECK_DEBUG"]:
            standby.handle(event)
            return ""
    try:
        standby.handle(event)
    except VocheckError:
        raise
    except Exception as error:
        path = event.new if isinstance(event, Renamed) else event.path
        return f"{path}: internal error: {type(error).__name__}: {error}"
    return ""


def _is_take(result: TakeResult) -> bool:
    """Whether a recording is a take: its name says so, or somebody speaks in it."""
    if result.take is not None:
        return True
    path = result.path or ""
    return has_speech(result) and not is_test_read(path) and not says_no_take(path)


def _is_other_sound(result: TakeResult) -> bool:
    """Whether somebody speaks in what its name says is a mix, a slate or the like."""
    return result.take is None and has_speech(result) and says_no_take(result.path or "")
