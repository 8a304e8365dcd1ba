"""A log of lines keeps what was written, whatever happens next."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from vocheck.booth.linelog import LineLog, read_lines
from vocheck.errors import VocheckError


def test_each_line_is_in_the_file_at_once(tmp_path):
    """Another reader sees a line before the log is closed."""
    with LineLog(tmp_path / "log.jsonl") as log:
        log.append('{"take": 1}\n')
        assert read_lines(log.path) == [{"take": 1}]
        log.append('{"take": 2}\n')
        assert read_lines(log.path) == [{"take": 1}, {"take": 2}]


def test_a_killed_process_loses_no_line(tmp_path):
    """What was appended before a process is killed outright is in the file."""
    path = tmp_path / "log.jsonl"
    program = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from vocheck.booth.linelog import LineLog\n"
        "log = LineLog(Path(sys.argv[1]))\n"
        "log.append('{\"take\": 1}\\n')\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    ended = subprocess.run([sys.executable, "-c", program, str(path)], check=False)
    assert ended.returncode != 0
    assert read_lines(path) == [{"take": 1}]


def test_a_half_written_line_is_closed_off_and_passed_over(tmp_path):
    """After a power cut the next line starts on its own, and the torn one is no object."""
    path = tmp_path / "log.jsonl"
    path.write_bytes(b'{"take": 1}\n{"take": 2, "verd')
    with LineLog(path) as log:
        log.append('{"take": 3}\n')
    assert path.read_bytes().splitlines()[1:] == [b'{"take": 2, "verd', b'{"take": 3}']
    assert read_lines(path) == [{"take": 1}, {"take": 3}]


def test_a_log_is_added_to(tmp_path):
    """Opening a log again keeps its lines."""
    path = tmp_path / "log.jsonl"
    for take in range(3):
        with LineLog(path) as log:
            log.append(f'{{"take": {take}}}\n')
    assert [line["take"] for line in read_lines(path)] == [0, 1, 2]


def test_what_cannot_be_written_or_read_is_named(tmp_path):
    """A folder that is not there gets one line with the path."""
    path = tmp_path / "away" / "log.jsonl"
    with pytest.raises(VocheckError, match=r"log\.jsonl: cannot be written: No such file"):
        LineLog(path)
    with pytest.raises(VocheckError, match=r"log\.jsonl: cannot be read: No such file"):
        read_lines(path)


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
def test_a_full_disk_is_said():
    """A line that does not reach the disk is an error, not a silence."""
    with (
        LineLog(Path("/dev/full")) as log,
        pytest.raises(VocheckError, match="cannot be written: No space left on device"),
    ):
        log.append("line\n")
