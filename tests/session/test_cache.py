"""The cache of measured takes: the same result without the work, and never a stale one."""

from __future__ import annotations

import json
import os
import shutil
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import pytest

import vocheck
from tests.material.demo_session import FOLDER
from vocheck.cli import run
from vocheck.results import Result
from vocheck.session import cache
from vocheck.session.cache import remember, remembering
from vocheck.session.take import check_take

TAKE, OTHER = FOLDER / "02_kiln_t3.flac", FOLDER / "02_kiln_t1.flac"


@dataclass(frozen=True)
class Fact(Result):
    """Something measured."""

    value: float


class Meter:
    """Makes facts, and counts how often it was asked."""

    def __init__(self) -> None:
        self.asked = 0

    def __call__(self) -> Fact:
        self.asked += 1
        return Fact(float(self.asked))


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """Return the folder of a cache that does not exist yet."""
    return tmp_path / "kept"


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return a list that grows by a name each time something is measured or heard."""
    done: list[str] = []
    for name in ("measure", "check_reading"):
        honest = getattr(vocheck.session.take, name)

        def counting(*given, name=name, honest=honest):
            done.append(name)
            return honest(*given)

        monkeypatch.setattr(f"vocheck.session.take.{name}", counting)
    return done


def always() -> bool:
    return True


@pytest.mark.parametrize("take", sorted(FOLDER.glob("0*.flac")), ids=lambda path: path.stem)
def test_a_take_comes_back_as_it_was_measured(take: Path, kept: Path, counted: list[str]):
    """Every fact, type and reason of the demo session; nothing is measured the second time."""
    with remembering(kept):
        first, second = check_take(take, targets=["social"]), check_take(take, targets=["social"])
    assert second == first
    assert second.to_dict() == first.to_dict()
    assert counted == ["measure"]


def test_nothing_is_kept_unless_asked_for(kept: Path, counted: list[str]):
    """A library call measures each time."""
    check_take(TAKE)
    check_take(TAKE)
    assert counted == ["measure"] * 2
    assert not kept.exists()


def test_silence_and_what_was_not_measured_come_back(tmp_path: Path, kept: Path):
    """Minus infinity and the reasons are facts as well."""
    import numpy as np
    import soundfile

    soundfile.write(tmp_path / "silent.wav", np.zeros(4800), 48000)
    with remembering(kept):
        first, second = (check_take(tmp_path / "silent.wav") for _ in range(2))
    assert second == first
    assert second.measurements.level.rms_dbfs == -float("inf")
    assert second.not_measured == first.not_measured != {}


def test_other_sound_under_the_same_name_size_and_time_is_measured(
    tmp_path: Path, kept: Path, counted: list[str]
):
    """The key is the content: nothing a file system says of a file is believed."""
    import numpy as np
    import soundfile

    file = tmp_path / "a_t1.wav"
    rng = np.random.default_rng(1)
    peaks = []
    with remembering(kept):
        for gain in (0.1, 0.2):
            soundfile.write(file, gain * rng.uniform(-1, 1, 48000), 48000)
            os.utime(file, ns=(10**18, 10**18))
            peaks.append(check_take(file).measurements.true_peak.level_dbtp)
    assert counted == ["measure"] * 2
    assert peaks[1] - peaks[0] > 5  # the gain is 6 dB; the noise differs a little


def test_a_copy_is_known_and_goes_by_its_own_name(tmp_path: Path, kept: Path, counted: list[str]):
    """No name is kept: a renamed take is told under its new one, its line and number too."""
    copy = tmp_path / "07_bridge_t2.flac"
    shutil.copyfile(TAKE, copy)
    with remembering(kept):
        check_take(TAKE)
        result = check_take(copy)
    assert counted == ["measure"]
    assert (result.path, result.source.path) == (str(copy), str(copy))
    assert (result.line, result.take) == ("07_bridge", 2)
    assert not any(TAKE.stem in entry.read_text("utf-8") for entry in kept.iterdir())


def test_a_file_that_changes_while_it_is_measured_is_not_kept(
    tmp_path: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
):
    """What was measured may be of the old content, of the new, or of both."""
    file = tmp_path / "a_t1.flac"
    shutil.copyfile(TAKE, file)
    honest = vocheck.session.take.measure

    def slow(recording):
        shutil.copyfile(OTHER, file)
        return honest(recording)

    monkeypatch.setattr("vocheck.session.take.measure", slow)
    with remembering(kept):
        check_take(file)
    assert not kept.exists()


def test_other_code_measures_anew(kept: Path, monkeypatch: pytest.MonkeyPatch):
    """The fingerprint is part of the key; it tells a changed file or library."""
    meter = Meter()
    with remembering(kept):
        remember(Fact, ("key",), meter, always)
        monkeypatch.setattr(cache, "_fingerprint", lambda: "of another version")
        assert remember(Fact, ("key",), meter, always) == Fact(2.0)


def test_the_fingerprint_tells_libraries_apart(monkeypatch: pytest.MonkeyPatch):
    """A new numpy may round differently."""
    tell = cache._fingerprint.__wrapped__
    mine = tell()
    assert tell() == mine
    monkeypatch.setattr(cache, "_version", lambda library: f"{library} 99")
    assert tell() != mine


@pytest.mark.parametrize("damage", ["empty", "cut off", "a digit changed", "not text", "no fact"])
def test_a_damaged_entry_is_measured_again_and_mended(kept: Path, damage: str):
    """Whatever stands in the file, the result is right, and the next one is known again."""
    meter = Meter()
    with remembering(kept):
        remember(Fact, ("key",), meter, always)
        (entry,) = kept.iterdir()
        whole = entry.read_bytes()
        other = json.dumps({"worth": 1.0})
        entry.write_bytes(
            {
                "empty": b"",
                "cut off": whole[:-3],
                "a digit changed": whole.replace(b"1.0", b"7.0"),
                "not text": b"\xff\x00\xfe",
                "no fact": f"{cache._sha256(other)}\n{other}".encode(),
            }[damage]
        )
        assert remember(Fact, ("key",), meter, always) == Fact(2.0)
        assert remember(Fact, ("key",), meter, always) == Fact(2.0)


def test_many_at_once_agree(kept: Path):
    """Threads that make the same entry at the same time leave one whole one, and nothing else."""
    with remembering(kept), ThreadPoolExecutor(8) as executor:
        made = [
            executor.submit(remember, Fact, (str(k % 3),), lambda: Fact(1.0), always)
            for k in range(300)
        ]
        assert {one.result() for one in made} == {Fact(1.0)}
        meter = Meter()
        for k in range(3):
            assert remember(Fact, (str(k),), meter, always) == Fact(1.0)
    assert meter.asked == 0
    assert len(list(kept.iterdir())) == 3


def test_where_nothing_can_be_written_it_works_without(tmp_path: Path):
    """A folder that cannot be made (a read-only home): each result is made, none is lost."""
    (tmp_path / "file").write_text("no folder")
    meter = Meter()
    with remembering(tmp_path / "file" / "kept"):
        assert remember(Fact, ("key",), meter, always) == Fact(1.0)
        assert remember(Fact, ("key",), meter, always) == Fact(2.0)


def test_what_was_not_used_for_longest_goes(kept: Path, monkeypatch: pytest.MonkeyPatch):
    """The folder does not grow for ever; reading an entry keeps it."""
    monkeypatch.setattr(cache, "MOST_ENTRIES", 20)
    with remembering(kept):
        for k in range(20):
            remember(Fact, (str(k),), Meter(), always)
        for age, entry in enumerate(sorted(kept.iterdir())):
            os.utime(entry, (10**9 + age, 10**9 + age))
        remember(Fact, ("0",), Meter(), always)
        remember(Fact, ("20",), Meter(), always)
    assert len(list(kept.iterdir())) == 18
    meter = Meter()
    with remembering(kept):
        remember(Fact, ("0",), meter, always)
        remember(Fact, ("20",), meter, always)
    assert meter.asked == 0


def test_the_words_are_kept_by_their_text(
    kept: Path, counted: list[str], monkeypatch: pytest.MonkeyPatch
):
    """Another script is another question; so is the same one once the extra is installed."""
    script = {"02_kiln": "Ida Marlow fires her pots."}
    with remembering(kept):
        monkeypatch.setattr("vocheck.session.take.can_hear_words", lambda: False)
        monkeypatch.setattr("vocheck.script.reading.can_hear_words", lambda: False)
        first, second = (check_take(TAKE, script=script) for _ in range(2))
        check_take(TAKE, script={"02_kiln": "Other words."})
        monkeypatch.setattr("vocheck.session.take.can_hear_words", lambda: True)
        check_take(TAKE, script=script)
    assert first == second
    assert counted == ["measure", *["check_reading"] * 3]


def test_the_commands_keep_and_no_cache_goes_without(
    kept: Path, monkeypatch: pytest.MonkeyPatch, capsys
):
    """``rank`` twice says the same and measures once; ``--no-cache`` measures and keeps nothing.

    Workers measure, so what they keep tells: an entry made anew is another file.
    """
    monkeypatch.setenv("VOCHECK_CACHE", str(kept))
    told = []
    for options in (["--no-cache"], [], []):
        run(["rank", str(TAKE), str(OTHER), *options])
        entries = sorted(entry.stat().st_ino for entry in kept.glob("*"))
        told.append((capsys.readouterr().out, entries))
    assert told[0][0] == told[1][0] == told[2][0]
    assert [len(entries) for _, entries in told] == [0, 2, 2]
    assert told[1][1] == told[2][1]
    check_take(OTHER.with_name("02_kiln_t2.flac"))
    assert len(list(kept.iterdir())) == 2  # off again once the command is done
