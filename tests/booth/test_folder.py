"""The watcher tells what happened in a folder, from the files alone and without a clock."""

import os
import shutil
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from vocheck.booth.folder import Finished, Gone, Renamed, Watcher, is_whole


class Folder:
    """A folder under watch whose clock is turned by hand, half a second per look."""

    def __init__(self, path, **settings):
        self.path = path
        self.now = 100.0
        settings.setdefault("whole", lambda _: True)
        self.watcher = Watcher(path, **settings)

    def write(self, name, content=b"x" * 100):
        """Write a file with a time of change of its own, as if a moment had passed."""
        path = self.path / name
        path.parent.mkdir(exist_ok=True, parents=True)
        path.write_bytes(content)
        self.now += 0.01
        os.utime(path, ns=(0, int(self.now * 1e9)))
        return path

    def look(self, times=1):
        """Look again, and return everything that was told."""
        events = []
        for _ in range(times):
            self.now += 0.5
            events += self.watcher.poll(self.now)
        return events


@pytest.fixture
def folder(tmp_path):
    watched = Folder(tmp_path)
    watched.look()  # the folder is empty when the watching begins
    return watched


def test_a_recording_is_told_once_when_it_has_settled(folder):
    """Told at the second look that finds it unchanged, and never again."""
    path = folder.write("01_river_t1.wav")
    assert folder.look() == []
    assert folder.look() == [Finished(path)]
    assert folder.look(5) == []


def test_a_growing_recording_waits(folder):
    """As long as every look finds another size, nothing is told."""
    for length in range(100, 1000, 100):
        path = folder.write("take.wav", b"x" * length)
        assert folder.look() == []
    assert folder.look() == [Finished(path)]


def test_a_recorder_that_writes_in_bursts_teaches_to_wait(folder):
    """The first pause in mid-take is mistaken for the end; no pause of that length is again.

    Bursts every 1 s, looks every 0.5 s, so 1.5 s of quiet are asked for from then on.
    """
    path = folder.write("take 1.wav", b"x" * 100)
    assert folder.look(2) == [Finished(path)]
    for burst in range(2, 8):
        folder.write("take 1.wav", b"x" * 100 * burst)
        assert folder.look(2) == []
    assert folder.look(3) == [Finished(path, again=True)]
    for burst in range(1, 8):
        path = folder.write("take 2.wav", b"x" * 100 * burst)
        assert folder.look(2) == []
    assert folder.look(3) == [Finished(path)]


def test_a_take_recorded_over_much_later_teaches_nothing(folder):
    """Half a minute between two versions is no pause between bursts."""
    path = folder.write("take 1.wav", b"x" * 100)
    folder.look(60)
    folder.write("take 1.wav", b"x" * 200)
    assert folder.look(2) == [Finished(path, again=True)]
    path = folder.write("take 2.wav")
    assert folder.look(2) == [Finished(path)]


def test_a_rewrite_of_the_same_size_counts_as_a_change(folder):
    """A header filled in at the end changes no size, only the time of change."""
    path = folder.write("take.wav", b"x" * 100)
    folder.look()
    folder.write("take.wav", b"y" * 100)
    assert folder.look() == []
    assert folder.look() == [Finished(path)]


def test_a_replaced_recording_is_told_again(folder):
    """A take recorded over is told as such."""
    path = folder.write("take.wav")
    folder.look(60)
    folder.write("take.wav", b"z" * 200)
    assert folder.look() == []
    assert folder.look() == [Finished(path, again=True)]


def test_a_renamed_recording_is_not_measured_again(folder):
    """A new name with the size and time of one that vanished is a rename."""
    old = folder.write("untitled 7.wav")
    folder.look(2)
    new = old.rename(folder.path / "02_kiln_t3.wav")
    assert folder.look() == [Renamed(old, new)]
    assert folder.look(4) == []


def test_a_rename_while_the_recording_settles_loses_nothing(folder):
    """Recorders that rename at the end are told under the new name, without a word of the old."""
    old = folder.write("recording.wav")
    folder.look()
    new = old.rename(folder.path / "02_kiln_t3.wav")
    assert folder.look(3) == [Finished(new)]


def test_a_temporary_name_is_no_recording(folder):
    """Names that no recording has, and hidden ones, are passed over until they are renamed."""
    first = folder.write("take.wav.part")
    hidden = folder.write(".take 2.wav")
    assert folder.look(4) == []
    new = first.rename(folder.path / "take.wav")
    shown = hidden.rename(folder.path / "take 2.wav")
    assert {event.path for event in folder.look(2)} == {new, shown}


def test_a_deleted_recording_is_gone_after_two_looks(folder):
    """One look that misses a file is no loss: some programs delete before they replace."""
    path = folder.write("take.wav")
    folder.look(2)
    content = path.read_bytes()
    path.unlink()
    assert folder.look() == []
    folder.write("take.wav", content)
    assert folder.look(2) == [Finished(path, again=True)]
    path.unlink()
    assert folder.look(2) == [Gone(path)]
    assert folder.look(2) == []


def test_a_recording_that_was_never_told_goes_in_silence(folder):
    """A file that vanishes before it settled was nobody's take."""
    folder.write("take.wav").unlink()
    folder.write("other.wav")
    folder.look()
    (folder.path / "other.wav").unlink()
    assert folder.look(3) == []


def test_an_empty_file_is_an_armed_recorder(folder):
    """A file of 0 bytes is never told, however long it stands there."""
    folder.write("take.wav", b"")
    assert folder.look(100) == []


def test_recordings_before_the_watching_are_marked(tmp_path):
    """What stood there at the first look is told as such; replacing one makes it a new take."""
    watched = Folder(tmp_path)
    path = watched.write("take.wav")
    assert watched.look() == []
    assert watched.look(60) == [Finished(path, before=True)]
    watched.write("take.wav", b"new" * 50)
    assert watched.look(2) == [Finished(path, again=True)]


def test_several_recordings_come_in_the_order_they_were_made(folder):
    """The first take is told first, whatever the names."""
    paths = [folder.write(name) for name in ("c.wav", "a.wav", "day 2/b.flac", "0.mp3")]
    assert [event.path for event in folder.look(2)] == paths


def test_a_recording_that_is_not_whole_waits_but_not_for_ever(tmp_path):
    """One that stays short of its header is told after the patience is up, once."""
    watched = Folder(tmp_path, whole=lambda _: False, patience_s=5.0)
    watched.look()
    path = watched.write("take.wav")
    assert watched.look(10) == []  # the first look finds it, 4.5 s later it still waits
    assert watched.look() == [Finished(path)]
    assert watched.look(20) == []


def test_a_folder_that_is_away_is_a_problem_not_a_loss(tmp_path):
    """While a network share is away nothing is given up; when it is back, life goes on."""
    share = tmp_path / "share"
    watched = Folder(share)
    path = watched.write("take.wav")
    watched.look(2)
    share.rename(tmp_path / "unplugged")
    assert watched.look(10) == []
    assert "No such file or directory" in watched.watcher.problem
    (tmp_path / "unplugged").rename(share)
    assert watched.look(3) == []
    assert watched.watcher.problem == ""
    path.unlink()
    assert watched.look(2) == [Gone(path)]


def test_whether_a_take_changed_while_it_was_measured_can_be_asked(folder):
    """Right after being told a file is settled; not when it was written to or deleted since."""
    path = folder.write("take.wav")
    folder.look(2)
    assert folder.watcher.is_settled(path)
    folder.write("take.wav", b"more" * 100)
    assert not folder.watcher.is_settled(path)
    path.unlink()
    assert not folder.watcher.is_settled(path)


def test_a_whole_recording_is_told_from_a_cut_one(tmp_path):
    """Headers of real files: whole, cut short, and never filled in."""
    path = tmp_path / "take.wav"
    soundfile.write(path, np.zeros(48000), 48000, subtype="PCM_24")
    raw = path.read_bytes()
    assert is_whole(path)
    path.write_bytes(raw[:-3000])
    assert not is_whole(path)
    data = raw.index(b"data") + 4
    path.write_bytes(raw[:data] + bytes(4) + raw[data + 4 :])
    assert not is_whole(path)
    path.write_bytes(b"no audio")
    assert not is_whole(path)


def test_a_recorder_that_writes_its_header_last(tmp_path):
    """A real WAV file written in pieces, its length at the very end, is told when it is whole."""
    source = tmp_path / "source.wav"
    soundfile.write(source, np.zeros(48000), 48000, subtype="PCM_24")
    raw = source.read_bytes()
    data = raw.index(b"data") + 4
    (tmp_path / "takes").mkdir()
    watched = Folder(tmp_path / "takes", whole=is_whole)
    watched.look()
    unfinished = raw[:data] + bytes(4) + raw[data + 4 :]
    for length in (44, 30_000, 90_000, len(raw)):
        path = watched.write("take.wav", unfinished[:length])
        assert watched.look() == []
    assert watched.look() == []  # settled, but the header says nothing yet
    watched.write("take.wav", raw)
    assert watched.look(2) == [Finished(path)]


def test_a_copy_that_keeps_the_time_of_change_is_a_recording_of_its_own(folder):
    """Size and time alike make a rename only where the other file has vanished."""
    first = folder.write("take.wav")
    folder.look(2)
    second = folder.path / "copy.wav"
    shutil.copy2(first, second)
    assert folder.look(2) == [Finished(second)]


def test_a_look_at_a_thousand_takes_is_cheap(folder):
    """No file is opened that was told already: a look costs one listing and a stat each.

    A look takes under 0.1 s of CPU here; the bound of 1 s only catches a look that reads files.
    """
    for number in range(1000):
        (folder.path / f"{number:04}.wav").write_bytes(b"x")
    folder.look(2)
    folder.watcher._whole = lambda path: pytest.fail(f"{path} was opened again")
    start = time.process_time()
    assert folder.look() == []
    assert time.process_time() - start < 1.0


def test_a_replacement_of_the_same_size_and_time_is_told(folder):
    """A copy that keeps the time of change puts another take in the place of a told one."""
    path = folder.write("take.wav", b"x" * 100)
    facts = os.stat(path)
    assert folder.look(2) == [Finished(path)]
    other = folder.path / "other.tmp"
    other.write_bytes(b"y" * 100)
    os.utime(other, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    time.sleep(0.02)  # longer than the file system's clock stands still
    os.replace(other, path)
    assert os.stat(path).st_mtime_ns == facts.st_mtime_ns
    assert folder.look(2) == [Finished(path, again=True)]


def test_a_link_to_itself_blinds_nobody(folder):
    """Such a link cannot be followed; it is named, and takes beside it are told."""
    (folder.path / "loop.wav").symlink_to(folder.path / "loop.wav")
    (folder.path / "around").symlink_to(folder.path)
    path = folder.write("take.wav")
    assert folder.look(3) == [Finished(path)]
    assert "loop.wav: cannot be looked at: Too many levels" in folder.watcher.problem


def test_a_folder_that_may_not_be_read_blinds_nobody(folder, monkeypatch):
    """It is named; takes beside it are told, and those in it are not given up."""
    inside = folder.write("day 1/take 1.wav")
    folder.look(2)
    honest = os.scandir

    def refuse(path):
        if Path(path).name == "day 1":
            raise PermissionError(13, "Permission denied")
        return honest(path)

    monkeypatch.setattr(os, "scandir", refuse)  # to the superuser everything is open
    path = folder.write("take 2.wav")
    assert folder.look(4) == [Finished(path)]
    assert "day 1: cannot be looked at: Permission denied" in folder.watcher.problem
    monkeypatch.undo()
    assert folder.look(2) == []
    assert folder.watcher.problem == ""
    inside.unlink()
    assert folder.look(2) == [Gone(inside)]


def test_a_pipe_with_the_name_of_a_take_is_no_recording(folder):
    """Opening it would wait for ever."""
    os.mkfifo(folder.path / "take.wav")
    assert folder.look(20) == []


@pytest.mark.parametrize("suffix", [".wav", ".flac", ".mp3", ".m4a", ".aif", ".ogg"])
def test_a_file_of_zeros_is_not_whole_and_costs_little(tmp_path, suffix):
    """60 MB of zeros, such as a recorder lays out before it writes.

    Telling takes 0.1 to 0.7 s of CPU here; the bound only catches a walk through every byte.
    """
    path = tmp_path / f"take{suffix}"
    with path.open("wb") as file:
        file.truncate(60_000_000)
    start = time.process_time()
    assert not is_whole(path)
    assert time.process_time() - start < 5.0
