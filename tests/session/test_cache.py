"""The cache of measured takes: the same result without the work, and never a stale one."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import soundfile

import vocheck
from tests.material.demo_session import FOLDER
from vocheck.cli import run
from vocheck.results import Result
from vocheck.session import cache, takefile
from vocheck.session.cache import MEASURING, Cache, fingerprint
from vocheck.session.take import check_take
from vocheck.session.takefile import TakeFile, UnknownTake
from vocheck.session.workers import WorkerPool

TAKE, OTHER = FOLDER / "02_kiln_t3.flac", FOLDER / "02_kiln_t1.flac"
KEY = ("key",)


@dataclass(frozen=True)
class Fact(Result):
    """Something measured."""

    value: float


@dataclass(frozen=True)
class Other(Result):
    """Something else."""

    value: str


@dataclass(frozen=True, eq=False)
class Track(Result):
    """Something measured over time."""

    name: str
    low: npt.NDArray[np.float32]
    speech: npt.NDArray[np.bool_]
    fact: Fact | None


@pytest.fixture
def kept(tmp_path: Path) -> Cache:
    """Return a cache whose folder does not exist yet."""
    return Cache(tmp_path / "kept")


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return a list that grows by a name each time something is measured, heard or hashed."""
    done: list[str] = []
    for module, name in (
        (vocheck.session.take, "measure"),
        (vocheck.session.take, "check_reading"),
        (takefile, "_hash"),
    ):
        honest = getattr(module, name)

        def counting(*given, name=name, honest=honest, **named):
            done.append(name)
            return honest(*given, **named)

        monkeypatch.setattr(module, name, counting)
    return done


def entries(kept: Cache) -> list[Path]:
    return sorted(kept.folder.glob("*.entry"))


def long_ago(file: Path) -> None:
    """Make a file look as if nothing had touched it for a while."""
    os.utime(file, ns=(10**18, 10**18))


@pytest.mark.parametrize("take", sorted(FOLDER.glob("0*.flac")), ids=lambda path: path.stem)
def test_a_take_comes_back_as_it_was_measured(take: Path, kept: Cache, counted: list[str]):
    """Every fact, type and reason of the demo session; nothing is measured the second time."""
    first, second = (check_take(take, targets=["social"], cache=kept) for _ in range(2))
    assert second == first
    assert second.to_dict() == first.to_dict()
    assert counted.count("measure") == 1


def test_nothing_is_kept_unless_asked_for(counted: list[str]):
    """A library call measures each time, and hashes the file once."""
    check_take(TAKE)
    check_take(TAKE)
    assert counted == ["_hash", "measure"] * 2 or counted == ["measure", "_hash"] * 2


def test_arrays_come_back_as_they_were(kept: Cache):
    """Types, shapes and every bit; one of no length, too."""
    rng = np.random.default_rng(0)
    track = Track(
        "low",
        rng.standard_normal((7, 13)).astype(np.float32),
        np.zeros(0, np.bool_),
        Fact(-float("inf")),
    )
    kept.keep(KEY, track)
    again = kept.recall(Track, KEY)
    assert again is not None
    assert (again.name, again.fact) == (track.name, track.fact)
    assert again.low.dtype == np.float32
    np.testing.assert_array_equal(again.low, track.low)
    assert again.speech.shape == (0,)
    assert again.speech.dtype == np.bool_


def test_silence_and_what_was_not_measured_come_back(tmp_path: Path, kept: Cache):
    """Minus infinity and the reasons are facts as well."""
    soundfile.write(tmp_path / "silent.wav", np.zeros(4800), 48000)
    first, second = (check_take(tmp_path / "silent.wav", cache=kept) for _ in range(2))
    assert second == first
    assert second.measurements.level.rms_dbfs == -float("inf")
    assert second.not_measured == first.not_measured != {}


@pytest.mark.parametrize("settled_s", [takefile.SETTLED_S, -1.0])
def test_other_sound_under_the_same_name_size_and_time_is_measured(
    tmp_path: Path,
    kept: Cache,
    counted: list[str],
    monkeypatch: pytest.MonkeyPatch,
    settled_s: float,
):
    """Name, size and time of change are what a program may set; the time of the last touch is not.

    It tells the two apart even where a file counts as settled at once.
    """
    monkeypatch.setattr(takefile, "SETTLED_S", settled_s)
    file = tmp_path / "a_t1.wav"
    rng = np.random.default_rng(1)
    peaks = []
    for gain in (0.1, 0.2):
        soundfile.write(file, gain * rng.uniform(-1, 1, 48000), 48000)
        long_ago(file)
        peaks.append(check_take(file, cache=kept).measurements.true_peak.level_dbtp)
    assert counted.count("measure") == 2
    assert peaks[1] - peaks[0] > 5  # the gain is 6 dB; the noise differs a little


def test_a_file_that_nothing_touched_is_not_read_again(
    tmp_path: Path, kept: Cache, counted: list[str], monkeypatch: pytest.MonkeyPatch
):
    """Its hash is remembered; a file that was changed just now is hashed each time."""
    file = tmp_path / "02_kiln_t3.flac"
    shutil.copyfile(TAKE, file)
    check_take(file, cache=kept)
    check_take(file, cache=kept)
    assert counted.count("_hash") == 2
    monkeypatch.setattr(takefile, "SETTLED_S", -1.0)
    first = check_take(file, cache=kept)
    monkeypatch.setattr(takefile, "open_audio", None)
    monkeypatch.setattr(takefile, "read", None)
    assert check_take(file, cache=kept) == first
    assert counted.count("_hash") == 3
    assert counted.count("measure") == 1


def test_what_is_no_recording_is_not_hashed(tmp_path: Path, counted: list[str]):
    """A large text file with the name of a take is told by its head."""
    file = tmp_path / "a_t1.wav"
    file.write_text("once upon a time " * 1000)
    with pytest.raises(vocheck.AudioError, match="not an audio file"):
        check_take(file)
    assert counted == []


def test_a_quick_look_opens_nothing(kept: Cache, monkeypatch: pytest.MonkeyPatch):
    """It is taken in the process that must not crash."""
    monkeypatch.setattr(takefile, "SETTLED_S", -1.0)
    with pytest.raises(UnknownTake):
        TakeFile(str(TAKE), kept, only_known=True).sha256  # noqa: B018  asked for its error
    digest = TakeFile(str(TAKE), kept).sha256
    assert digest == hashlib.sha256(TAKE.read_bytes()).hexdigest()
    quick = TakeFile(str(TAKE), kept, only_known=True)
    assert quick.sha256 == digest
    with pytest.raises(UnknownTake):
        quick.remember(Fact, lambda recording: Fact(recording.duration_s))
    made = TakeFile(str(TAKE), kept).remember(Fact, lambda recording: Fact(recording.duration_s))
    assert quick.remember(Fact, lambda _: Fact(0.0)) == made


def test_a_copy_is_known_and_goes_by_its_own_name(tmp_path: Path, kept: Cache, counted: list[str]):
    """No name is kept: a renamed take is told under its new one, its line and number too."""
    copy = tmp_path / "07_bridge_t2.flac"
    shutil.copyfile(TAKE, copy)
    check_take(TAKE, cache=kept)
    result = check_take(copy, cache=kept)
    assert counted.count("measure") == 1
    assert (result.path, result.source.path) == (str(copy), str(copy))
    assert (result.line, result.take) == ("07_bridge", 2)
    assert not any(TAKE.stem.encode() in entry.read_bytes() for entry in entries(kept))


def test_a_file_that_changes_while_it_is_measured_is_not_kept(
    tmp_path: Path, kept: Cache, monkeypatch: pytest.MonkeyPatch
):
    """What was measured may be of the old content, of the new, or of both."""
    file = tmp_path / "a_t1.flac"
    shutil.copyfile(TAKE, file)
    honest = vocheck.session.take.measure

    def slow(recording):
        shutil.copyfile(OTHER, file)
        return honest(recording)

    monkeypatch.setattr("vocheck.session.take.measure", slow)
    check_take(file, cache=kept)
    assert not kept.folder.exists()


def test_what_measures_is_part_of_the_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A changed file of a room that measures, or a new numpy; not a report, a limit, a command."""
    package = tmp_path / "vocheck"
    shutil.copytree(Path(vocheck.__file__).parent, package)
    monkeypatch.setattr(cache, "__file__", str(package / "session" / "cache.py"))
    tell = fingerprint.__wrapped__
    mine = tell(*MEASURING)
    for elsewhere in ("report/csv.py", "policy/limits.toml", "commands/take.py"):
        with (package / elsewhere).open("a") as file:
            file.write("# a remark\n")
    assert tell(*MEASURING) == mine
    for part in ("dsp/frames.py", "measurements/level.py", "recording.py", "audio/readers.py"):
        file = package / part if (package / part).exists() else package / "dsp" / "__init__.py"
        whole = file.read_bytes()
        file.write_bytes(whole + b"# a remark\n")
        assert tell(*MEASURING) != mine
        file.write_bytes(whole)
    assert tell(*MEASURING) == mine
    monkeypatch.setattr(cache, "_version", lambda library: f"{library} 99")
    assert tell(*MEASURING) != mine


def test_every_module_that_measures_is_in_the_fingerprint():
    """What the rooms that measure import of this package is told apart, too."""
    program = (
        "import sys, vocheck.measurements, vocheck.audio.readers; "
        "print(*(m for m in sys.modules if m.startswith('vocheck.')))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    rooms = {room.removesuffix(".py") for room in MEASURING}
    # These hold no number: shapes of results, kinds of errors, names of files.
    others = {module.split(".")[1] for module in done.stdout.split()} - rooms
    assert others <= {"errors", "results", "files", "media"}


@pytest.mark.parametrize(
    "damage", ["empty", "cut off", "a bit changed", "not text", "of another key", "another class"]
)
def test_a_damaged_entry_is_not_believed(kept: Cache, damage: str):
    """Whatever stands in the file; and the next one kept is known again."""
    kept.keep(KEY, Fact(1.0))
    (entry,) = entries(kept)
    whole = entry.read_bytes()
    kept.keep(("other",), Fact(7.0))
    (other,) = {*entries(kept)} - {entry}
    name = entry.stem
    entry.write_bytes(
        {
            "empty": b"",
            "cut off": whole[:-1],
            "a bit changed": whole[:-1] + bytes([whole[-1] ^ 1]),
            "not text": b"\xff\x00\xfe",
            "of another key": other.read_bytes(),
            "another class": cache._sealed(cache._encoder.encode(Other("a fact")), name),
        }[damage]
    )
    assert kept.recall(Fact, KEY) is None
    kept.keep(KEY, Fact(1.0))
    assert kept.recall(Fact, KEY) == Fact(1.0)


def test_many_at_once_agree(kept: Cache):
    """Threads that keep the same entry at the same time leave one whole one, and nothing else."""
    with ThreadPoolExecutor(8) as executor:
        list(executor.map(lambda k: kept.keep((str(k % 3),), Fact(float(k % 3))), range(300)))
    assert [kept.recall(Fact, (str(k),)) for k in range(3)] == [Fact(float(k)) for k in range(3)]
    assert len(entries(kept)) == 3


def test_where_nothing_can_be_written_it_works_without(tmp_path: Path):
    """A folder that cannot be made (a read-only home): each result is made, none is lost."""
    (tmp_path / "file").write_text("no folder")
    nowhere = Cache(tmp_path / "file" / "kept")
    nowhere.keep(KEY, Fact(1.0))
    assert nowhere.recall(Fact, KEY) is None
    assert check_take(TAKE, cache=nowhere).verdict == check_take(TAKE).verdict


def test_what_was_not_used_for_longest_goes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """The folder does not grow for ever; reading an entry keeps it."""
    monkeypatch.setattr(cache, "TRIM_EVERY_S", -1.0)
    kept = Cache(tmp_path / "kept")
    for k in range(20):
        kept.keep((str(k),), Fact(1.0))
    each = entries(kept)[0].stat().st_blocks * 512
    for age, entry in enumerate(entries(kept)):
        os.utime(entry, (10**9 + age, 10**9 + age))
    assert kept.recall(Fact, ("0",)) is not None
    Cache(kept.folder, most_bytes=20 * each).keep(("20",), Fact(1.0))
    assert len(entries(kept)) == 18
    assert kept.recall(Fact, ("0",)) is not None
    assert kept.recall(Fact, ("20",)) is not None


def test_the_words_are_kept_by_their_text(
    kept: Cache, counted: list[str], monkeypatch: pytest.MonkeyPatch
):
    """Another script is another question; so is the same one once the extra is installed."""
    script = {"02_kiln": "Ida Marlow fires her pots."}
    monkeypatch.setattr("vocheck.session.take.can_hear_words", lambda: False)
    monkeypatch.setattr("vocheck.script.reading.can_hear_words", lambda: False)
    first, second = (check_take(TAKE, script=script, cache=kept) for _ in range(2))
    check_take(TAKE, script={"02_kiln": "Other words."}, cache=kept)
    monkeypatch.setattr("vocheck.session.take.can_hear_words", lambda: True)
    check_take(TAKE, script=script, cache=kept)
    assert first == second
    assert counted.count("measure") == 1
    assert counted.count("check_reading") == 3


def test_workers_use_the_cache_of_the_settings(kept: Cache, monkeypatch: pytest.MonkeyPatch):
    """It is a value that goes along; what they kept is known here, and they are not asked again."""
    monkeypatch.setattr(takefile, "SETTLED_S", 0.0)
    with WorkerPool(2) as pool:
        first = list(vocheck.check_all([TAKE, OTHER], cache=kept, executor=pool))
    with WorkerPool(2) as pool:
        second = list(vocheck.check_all([TAKE, OTHER], cache=kept, executor=pool))
        assert not pool._threads
    assert second == first


def test_the_commands_keep_and_no_cache_goes_without(
    kept: Cache, monkeypatch: pytest.MonkeyPatch, capsys
):
    """``rank`` twice says the same and measures once; ``--no-cache`` measures and keeps nothing.

    Workers measure, so what they keep tells: an entry made anew is another file.
    """
    monkeypatch.setenv("VOCHECK_CACHE", str(kept.folder))
    told = []
    for options in (["--no-cache"], [], []):
        run(["rank", str(TAKE), str(OTHER), *options])
        files = [entry.stat().st_ino for entry in entries(kept) if entry.stat().st_size > 1000]
        told.append((capsys.readouterr().out, files))
    assert told[0][0] == told[1][0] == told[2][0]
    # two takes, the map between them, and what it says of their words
    assert [len(files) for _, files in told] == [0, 4, 4]
    assert told[1][1] == told[2][1]


def test_the_user_names_the_folder_or_the_system_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """VOCHECK_CACHE, or where this system keeps what can be made again."""
    monkeypatch.setenv("VOCHECK_CACHE", str(tmp_path / "mine"))
    assert cache.user_cache() == Cache(tmp_path / "mine")
    for unnamed in ("", None):
        if unnamed is None:
            monkeypatch.delenv("VOCHECK_CACHE")
        else:
            monkeypatch.setenv("VOCHECK_CACHE", unnamed)
        monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "system"))
        if sys.platform == "linux":
            assert cache.user_cache().folder == tmp_path / "system" / "vocheck"
    assert cache.user_cache().most_bytes == 10**9  # docs/performance.md


def test_the_folder_is_the_users_alone(kept: Cache):
    """What was measured of a voice is nobody else's; folders above it are made as well."""
    deep = Cache(kept.folder / "a" / "b")
    deep.keep(KEY, Fact(1.0))
    assert deep.folder.stat().st_mode & 0o777 == 0o700
    deep.keep(("other",), Fact(2.0))
    assert deep.recall(Fact, KEY) == Fact(1.0)


def test_it_is_looked_at_from_time_to_time_only(kept: Cache, monkeypatch: pytest.MonkeyPatch):
    """Once an hour, by the time of a file in the folder."""
    looked: list[Cache] = []
    monkeypatch.setattr(Cache, "trim", lambda self: looked.append(self))
    kept.keep(("1",), Fact(1.0))
    kept.keep(("2",), Fact(1.0))
    assert len(looked) == 1
    mark = kept.folder / "looked-at"
    for age_s, count in ((3500, 1), (3700, 2), (10, 2)):
        os.utime(mark, (time.time() - age_s,) * 2)
        kept.keep(("3",), Fact(1.0))
        assert len(looked) == count, age_s
    mark.unlink()
    kept.keep(("4",), Fact(1.0))
    assert len(looked) == 3


@pytest.mark.parametrize(("most", "left"), [(10, 10), (9, 8), (5, 4), (0, 0)])
def test_a_folder_is_trimmed_to_nine_tenths_of_what_it_may_hold(kept: Cache, most: int, left: int):
    """Full to the brim is not too much; the oldest go first, by what they take on the disk."""
    for k in range(10):
        kept.keep((str(k),), Fact(float(k)))
    (kept.folder / "looked-at").unlink()
    found = {k: kept.folder / f"{cache._name(Fact, (str(k),))}.entry" for k in range(10)}
    for k, entry in found.items():
        os.utime(entry, (10**9 + k, 10**9 + k))
    each = found[0].stat().st_blocks * 512
    Cache(kept.folder, most_bytes=most * each).trim()
    assert [k for k, entry in found.items() if entry.exists()] == [*range(10 - left, 10)]


def test_a_library_that_is_not_there_has_no_version():
    """One that is has its own; both are told apart in the fingerprint."""
    assert cache._version("no-such-library") == ""
    assert cache._version("numpy") == np.__version__


def test_numbers_of_numpy_are_kept_as_numbers_and_nothing_unknown_is(kept: Cache):
    """A fact that came as a numpy float is the same number again."""
    kept.keep(KEY, Fact(np.float64(0.1)))
    assert kept.recall(Fact, KEY) == Fact(0.1)
    kept.keep(KEY, Fact(np.float32(0.5)))
    assert kept.recall(Fact, KEY) == Fact(0.5)
    with pytest.raises(TypeError, match="cannot be kept: object"):
        kept.keep(("object",), Other(object()))


def test_keys_and_kinds_are_told_apart(kept: Cache):
    """Parts of a key do not run together; another kind of result under the same key is another."""
    kept.keep(("ab", "c"), Fact(1.0))
    kept.keep(("a", "bc"), Fact(2.0))
    kept.keep(("ab", "c"), Other("x"))
    assert kept.recall(Fact, ("ab", "c")) == Fact(1.0)
    assert kept.recall(Fact, ("a", "bc")) == Fact(2.0)
    assert kept.recall(Other, ("ab", "c")) == Other("x")
    assert kept.recall(Fact, ("a\udcff",)) is None
