"""Sound for the browser: by ranges, with a tag, and as a copy of what it cannot play."""

from __future__ import annotations

import io
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.desk.test_hostile import PORT, answer, ask, opened
from tests.desk.test_serve import OWN
from vocheck.desk.access import Door, Keys
from vocheck.desk.app import Answers, make_app
from vocheck.desk.board import Board
from vocheck.desk.inside import Inside
from vocheck.desk.sound import Sounds

RATE = 48_000
WAVE = np.random.default_rng(1).uniform(-0.5, 0.5, (RATE, 1)).round(4).astype(np.float32)


@pytest.fixture
def sounds(tmp_path: Path) -> Iterator[tuple[Door, Inside]]:
    """Return the application and the files that it may name."""
    inside = Inside(tmp_path)
    with ThreadPoolExecutor(1) as pool:
        made = Sounds(inside, pool)
        answers = Answers(Board())
        answers.gets |= made.gets
        yield Door(make_app(answers), Keys(OWN), "127.0.0.1", PORT), inside
        made.close()


def heard(sounds, path: Path, *headers: tuple[str, str], query: str = "") -> tuple[int, bytes]:
    """Return status and body for the sound of a file."""
    door, inside = sounds
    (name,) = inside.add([path]).values()
    return ask(door, path=f"/sound/{name}", query=query, headers=opened(*headers))


@pytest.mark.quick
def test_a_range_is_that_part_of_the_recording(sounds, tmp_path):
    """RFC 9110, 14.2: the bytes asked for, or 416 where there are none."""
    file = tmp_path / "a.wav"
    soundfile.write(file, WAVE, RATE)
    whole = file.read_bytes()
    assert heard(sounds, file) == (200, whole)
    assert heard(sounds, file, ("range", "bytes=100-199")) == (206, whole[100:200])
    assert heard(sounds, file, ("range", "bytes=-50")) == (206, whole[-50:])
    assert heard(sounds, file, ("range", f"bytes={len(whole) + 5}-"))[0] == 416


@pytest.mark.parametrize(
    ("name", "subtype"),
    [("a.aiff", "PCM_24"), ("a.caf", "PCM_16"), ("a.w64", "FLOAT"), ("a.rf64", "PCM_24")],
)
def test_what_no_browser_plays_is_sent_as_flac(sounds, tmp_path, name, subtype):
    """The same samples, to the last bit that both hold; made once."""
    file = tmp_path / name
    soundfile.write(file, WAVE, RATE, subtype)
    status, body = heard(sounds, file)
    assert status == 200
    assert body[:4] == b"fLaC"
    samples, rate = soundfile.read(io.BytesIO(body), always_2d=True)
    assert rate == RATE
    step = 2.0**-15 if subtype == "PCM_16" else 2.0**-23
    assert np.abs(samples - WAVE).max() <= step
    assert heard(sounds, file, ("range", "bytes=0-3")) == (206, b"fLaC")


def test_a_copy_can_be_asked_for(sounds, tmp_path):
    """A browser that fails on a recording asks for one; surround is folded down, peaks are cut."""
    file = tmp_path / "loud.wav"
    soundfile.write(file, np.tile(WAVE, (1, 6)) * 4, RATE, "FLOAT")
    status, body = heard(sounds, file, query="as=copy")
    samples, _ = soundfile.read(io.BytesIO(body), always_2d=True)
    assert (status, samples.shape) == (200, (RATE, 2))
    assert np.abs(samples).max() <= 1.0


def test_what_the_browser_has_is_not_sent_again(sounds, tmp_path):
    """A tag says whether it is the same; a recording that was replaced has another one."""
    file = tmp_path / "a.flac"
    soundfile.write(file, WAVE, RATE)
    door, inside = sounds
    (name,) = inside.add([file]).values()
    _, headers, _ = answer(door, path=f"/sound/{name}", headers=opened())
    seen = ("if-none-match", headers["etag"])
    assert heard(sounds, file, seen) == (304, b"")
    soundfile.write(file, WAVE[:-100], RATE)
    assert heard(sounds, file, seen) == (200, file.read_bytes())
    file.unlink()
    assert heard(sounds, file)[0] == 404
