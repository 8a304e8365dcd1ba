"""A run that is killed leaves the old file or the new one, and no input is ever touched."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import vocheck.files as files
from tests.hostile.kills import Kit
from vocheck.errors import VocheckError
from vocheck.files import replacing

TAKE = Path(__file__).parents[2] / "fixtures" / "session" / "01_river_t4.flac"

KILLED_AT = """
import os, signal, sys
folder, moment = sys.argv[1], int(sys.argv[2])
count = 0

def watch(event, arguments):
    # Python tells its audit hooks of each open, rename and removal before it happens.
    global count
    if event not in ("open", "os.rename", "os.remove", "os.scandir", "os.link"):
        return
    if any(isinstance(word, (str, bytes)) and os.fsdecode(word).startswith(folder)
           for word in arguments):
        count += 1
        if count == moment:
            os.kill(os.getpid(), signal.SIGKILL)

sys.addaudithook(watch)
"""
REPORT = """
from pathlib import Path
from vocheck.commands.options import deliver
deliver("new " * 100_000, Path(folder) / "report.txt")
"""
STAMP = """
from pathlib import Path
from vocheck.audio.broadcast_wav import LoudnessFields, stamp
stamp(Path(folder) / "take.flac", Path(folder) / "copy.wav", LoudnessFields(
    integrated_lufs=-23.0, range_lu=None, level_dbtp=-3.0, momentary_max_lufs=None,
    short_term_max_lufs=None))
"""
LOG = """
from pathlib import Path
from vocheck.booth.linelog import LineLog
with LineLog(Path(folder) / "log.jsonl") as log:
    log.append('{"take": 2}\\n')
"""

pytestmark = pytest.mark.skipif(os.name == "nt", reason="needs SIGKILL")


def run_killed(program: str, folder: Path, moment: int) -> bool:
    """Run a program that is killed before its n-th touch of the folder; return whether it was."""
    done = subprocess.run(
        [sys.executable, "-c", KILLED_AT + program, str(folder), str(moment)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    if done.returncode == -signal.SIGKILL:
        return True
    assert done.returncode == 0, done.stderr
    return False


def leftovers(folder: Path) -> list[Path]:
    return [file for file in folder.iterdir() if file.name.startswith(".vocheck-")]


@pytest.mark.parametrize(
    ("program", "name", "old"),
    [(REPORT, "report.txt", b"old"), (STAMP, "copy.wav", None), (LOG, "log.jsonl", b'{"a": 1}\n')],
    ids=["report", "stamp", "log"],
)
def test_killed_before_every_touch_of_the_disk(tmp_path, program, name, old):
    """Moment by moment up to the end: the old content or the new, whole; the take untouched."""
    reference = tmp_path / "reference"
    reference.mkdir()
    take = TAKE.read_bytes()
    (reference / "take.flac").write_bytes(take)
    os.utime(reference / "take.flac", (0, 0))  # its date goes into the copy
    if old is not None:
        (reference / name).write_bytes(old)
    assert not run_killed(program, reference, 0)
    new = (reference / name).read_bytes()
    kills = 0
    for moment in range(1, 100):
        folder = tmp_path / str(moment)
        folder.mkdir()
        (folder / "take.flac").write_bytes(take)
        os.utime(folder / "take.flac", (0, 0))
        if old is not None:
            (folder / name).write_bytes(old)
        killed = run_killed(program, folder, moment)
        path = folder / name
        assert (path.read_bytes() if path.exists() else None) in (old, new)
        assert (folder / "take.flac").read_bytes() == take
        assert {file.name for file in folder.iterdir()} - {"take.flac", name} == {
            file.name for file in leftovers(folder)
        }
        if not killed:
            assert path.read_bytes() == new
            assert not leftovers(folder)
            break
        kills += 1
    assert kills >= 2


def test_killed_at_any_moment(tmp_path):
    """A program that replaces a file again and again is killed; the file is always whole."""
    path = tmp_path / "report.txt"
    program = (
        "import sys\nfrom vocheck.files import replacing\n"
        "print('ready', flush=True)\n"
        "for n in range(10**9):\n"
        "    with replacing(sys.argv[1], durable=n % 2 == 0) as temporary:\n"
        "        temporary.write_text(f'{n % 1000:03d} ' * 20_000)\n"
    )
    moments = random.Random(11)
    for _ in range(25):
        child = subprocess.Popen(
            [sys.executable, "-c", program, str(path)], stdout=subprocess.PIPE, text=True
        )
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        time.sleep(moments.uniform(0.0, 0.1))
        child.kill()
        child.wait()
        child.stdout.close()
        if path.exists():
            text = path.read_text()
            assert text == text[:4] * 20_000
    for file in leftovers(tmp_path):
        os.utime(file, (0, 0))
    files._cleared.discard(tmp_path)
    with replacing(path) as temporary:
        temporary.write_text("new")
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.skipif(sys.platform != "linux", reason="needs a copy of a process that measures")
def test_a_session_that_is_killed_is_gone_on_with(tmp_path):
    """`survey`, `rank` and `watch`, at any moment: what was finished is kept, the end is the same.

    ``python -m tests.hostile.kills`` tries a thousand.
    """
    kit = Kit(tmp_path)
    assert [wrong for number in range(24) if (wrong := kit.try_case(number))] == []
    assert kit.killed > 12


@pytest.mark.parametrize("call", ["fsync", "replace", "open"])
@pytest.mark.parametrize("durable", [True, False])
def test_a_call_that_fails_keeps_the_old_file(tmp_path, monkeypatch, call, durable):
    """A full disk or a share that is gone: one line, the old content, nothing left beside it."""
    path = tmp_path / "report.txt"
    path.write_text("old")
    real = getattr(os, call)
    failed = []

    def fail(*arguments: object, **options: object) -> object:
        if failed:
            return real(*arguments, **options)
        failed.append(call)
        raise OSError(28, "No space left on device")

    def write() -> None:
        with replacing(path, durable=durable) as temporary:
            temporary.write_text("new")
            monkeypatch.setattr(os, call, fail)

    if not durable and call != "replace":
        write()
        assert path.read_text() == "new"
    else:
        with pytest.raises(VocheckError, match="cannot be written: No space left on device"):
            write()
        assert path.read_text() == "old"
    monkeypatch.undo()
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
def test_a_full_device_is_said():
    """Writing through to a device that is full is an error, not a silence."""
    with pytest.raises(VocheckError, match="No space left on device"), replacing("/dev/full") as t:
        t.write_text("x" * 100_000)
