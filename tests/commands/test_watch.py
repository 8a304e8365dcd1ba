"""The booth command, from a file that appears to the verdict, the table and the results file.

The command's clock is replaced: each time it would sleep, the test does something in the folder.
Takes are those of the demo session, whose faults are known by construction.
"""

import json
import re
import shutil
import sys
from pathlib import Path

import pytest

from tests.desk.asking import news
from vocheck.cli import run
from vocheck.commands import watch

SESSION = Path(__file__).parents[2] / "fixtures" / "session"
FIXABLE, KEEP = "01_river_t2.flac", "01_river_t4.flac"
RETAKE, QUIET = "02_kiln_t2.flac", "03_hands_t3.flac"


class Clock:
    """Stands in for the module `time`: two sleeps after each step of the script, then the end."""

    def __init__(self, steps):
        self.now = 0.0
        self.steps = [piece for step in steps for piece in (step, None, None)]

    def monotonic(self):
        return self.now

    def sleep(self, seconds):
        self.now += seconds
        if not self.steps:
            raise KeyboardInterrupt
        step = self.steps.pop(0)
        if step is not None:
            step()


@pytest.fixture
def booth(tmp_path, monkeypatch, capsys):
    """Return a function that runs a script of steps and gives status, output and results."""
    folder = tmp_path / "takes"
    folder.mkdir()

    def play(*steps, options=()):
        clock = Clock(steps)
        monkeypatch.setattr(watch, "time", clock)
        status = run(["watch", str(folder), *options])
        told = capsys.readouterr()
        return status, told.out, told.err

    play.folder = folder
    play.results = folder / watch.RESULTS_NAME
    return play


def record(booth, name, under=None):
    """Return a step that puts a demo take into the folder."""
    return lambda: shutil.copyfile(SESSION / name, booth.folder / (under or name))


def written(booth):
    """Return the results file as a list of objects."""
    return [json.loads(line) for line in booth.results.read_text("utf-8").splitlines()]


def test_each_take_gets_its_verdict_and_the_table_follows(booth):
    """Verdict, what was found and what to do now, then the table of lines with what is needed."""
    status, out, _ = booth(record(booth, FIXABLE), record(booth, KEEP))
    assert status == 130
    first, second = out.split("KEEP  01_river, take 4")
    assert "FIXABLE  01_river, take 2" in first
    assert re.search(r"Breath blasts.*2.*At 0:03\.5,\s+0:05\.3\.", first, re.DOTALL)
    assert "pop screen" in first
    assert re.search(r"01_river\s+needs a clean take\s+2 fixable", first)
    assert re.search(r"01_river\s+done\s+2 fixable\s+4 keep", second)


def test_results_are_on_disk_while_the_session_runs(booth):
    """After each verdict its line stands in the file, before the next take comes."""
    counts = []
    booth(
        record(booth, FIXABLE),
        lambda: counts.append([line["verdict"] for line in written(booth)]),
        record(booth, KEEP),
        lambda: counts.append([line["verdict"] for line in written(booth)]),
    )
    assert counts == [["fixable"], ["fixable", "keep"]]
    line = written(booth)[1]
    assert (line["line"], line["take"], line["schema"]) == ("01_river", 4, 1)
    assert line["measurements"]["loudness"]["integrated_lufs"] < -20


def test_ctrl_c_says_what_is_still_needed(booth):
    """The end of a session is its table and the lines that need a clean take; status 130."""
    status, out, err = booth(record(booth, FIXABLE), options=["--line", "01_river", "--line", "02"])
    assert status == 130
    assert out.rstrip().endswith("Still needs a clean take: 01_river, 02.")
    assert err.strip() == "vocheck: interrupted"


def test_the_script_says_what_must_be_recorded(booth, tmp_path):
    """The lines of a script in the folder, or of one that is named, and those added by hand."""
    shutil.copyfile(SESSION / "script.txt", booth.folder / "script.txt")
    _, out, _ = booth(record(booth, KEEP), options=["--line", "05_wild"])
    assert out.rstrip().endswith("Still needs a clean take: 02_kiln, 03_hands, 04_bowl, 05_wild.")
    other = tmp_path / "other.csv"
    other.write_text("line,text\n01_river,The river came first.\n09_end,The end.\n")
    _, out, _ = booth(lambda: None, options=["--script", str(other)])
    assert out.rstrip().endswith("Still needs a clean take: 09_end.")


def test_the_words_follow_the_verdict(booth):
    """The dropped word is told after the verdict, which it changes; so are the words of the pops.

    Results hold both: the take as it was judged at once, and as its words were heard.
    """
    pytest.importorskip("pocketsphinx")
    shutil.copyfile(SESSION / "script.txt", booth.folder / "script.txt")
    _, out, _ = booth(record(booth, FIXABLE), record(booth, "04_bowl_t3.flac"))
    pops, dropped = out.split("KEEP  04_bowl, take 3")
    assert "01_river, take 2: All words were read" in pops
    assert "breath pop on “bridge”, “beside”" in pops
    assert "LISTEN  04_bowl, take 3" in dropped
    assert "“minutes”" in dropped
    assert re.search(r"04_bowl\s+needs a clean take\s+3 listen", dropped)
    told = [(line["take"], line["verdict"], bool(line["reading"])) for line in written(booth)]
    assert told == [
        (2, "fixable", False),
        (2, "fixable", True),
        (3, "keep", False),
        (3, "fixable", True),
    ]


def test_a_take_under_another_lines_name_is_held_against_that_line(booth):
    """Renamed to a line with other words, a take is heard anew; within its line it is not."""
    pytest.importorskip("pocketsphinx")
    shutil.copyfile(SESSION / "script.txt", booth.folder / "script.txt")
    first, second, third = (
        booth.folder / f"{n}.flac" for n in ("x_t1", "04_bowl_t8", "04_bowl_t9")
    )
    _, out, _ = booth(
        record(booth, "04_bowl_t4.flac", first.name),
        lambda: first.rename(second),
        lambda: second.rename(third),
    )
    assert out.count("All words were read") == 1
    assert "04_bowl, take 8: All words were read" in out
    assert re.search(r"04_bowl\s+done\s+9 keep", out)


def test_the_bell_rings_on_retake_only(booth):
    """One bell, for the take that must be done again: a word is clipped all through."""
    _, out, _ = booth(record(booth, KEEP), record(booth, RETAKE), options=["--bell"])
    assert out.count("\a") == 1
    assert out.index("\a") > out.index("RETAKE  02_kiln, take 2")
    shutil.rmtree(booth.folder)
    booth.folder.mkdir()
    _, out, _ = booth(record(booth, RETAKE), options=["--no-bell"])
    assert "\a" not in out


def test_the_bell_rings_where_the_words_make_a_verdict_worse(booth):
    """A clean take that lacks a word turns from KEEP to LISTEN, and nobody may miss it."""
    pytest.importorskip("pocketsphinx")
    shutil.copyfile(SESSION / "script.txt", booth.folder / "script.txt")
    _, out, _ = booth(record(booth, KEEP), record(booth, "04_bowl_t3.flac"), options=["--bell"])
    assert out.count("\a") == 1
    assert out.index("\a") > out.index("LISTEN  04_bowl, take 3")


def test_a_frame_fits_the_terminal(booth, monkeypatch):
    """80 columns by 24 rows and 14 lines: verdict, action and the current line are all in view.

    Each frame is drawn from the top of an empty screen, the one before moved up out of view.
    """
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("LINES", "24")
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    lines = [f"{n:02}_a_line_of_the_script" for n in range(2, 15)]
    takes = [FIXABLE, KEEP, RETAKE, "04_bowl_t1.flac", QUIET, "room_tone.flac"]
    _, out, _ = booth(
        *(record(booth, name) for name in takes),
        options=["--line", "01_river", *(o for line in lines for o in ("--line", line))],
    )
    _, *frames = out.split("\x1b[H\x1b[J\n")
    frames[-1] = frames[-1].split("\n\n  \x1b[1m01_river")[0]  # the last words follow
    assert len(frames) == len(takes)
    for frame, word in zip(frames, ("██", "██", "██", "██", "██", "██"), strict=True):
        rows = re.sub(r"\x1b\[[0-9;]*[mH]|\a", "", frame).rstrip("\n").split("\n")
        assert len(rows) <= 23, frame
        assert max(map(len, rows)) <= 80, frame
        assert rows[0].startswith(word)
        assert sum(row.startswith("> ") for row in rows) == 1
    assert re.search(r"02_kiln\x1b\[0m\s+\x1b.*2 .*retake", frames[2])


def test_takes_from_before_are_in_the_table_but_not_announced(booth):
    """A restart measures what is there without a word on each, and writes nothing twice."""
    booth(record(booth, FIXABLE), record(booth, KEEP))
    lines = written(booth)
    status, out, _ = booth(lambda: None)
    assert status == 130
    assert "Recorded before: 2." in out
    assert re.search(r"01_river\s+done\s+2 fixable\s+4 keep", out)
    assert "pop screen" not in out
    assert written(booth) == lines


def test_a_take_recorded_over_is_judged_again(booth):
    """The new version replaces the old in the table; touching a file changes nothing."""
    status, out, _ = booth(
        record(booth, FIXABLE, "01_river_t1.flac"),
        (booth.folder / "01_river_t1.flac").touch,
        record(booth, KEEP, "01_river_t1.flac"),
    )
    assert out.count("01_river, take 1") == 2
    assert "KEEP  01_river, take 1 (again)" in out
    assert re.search(r"01_river\s+done\s+1 keep\n", out)
    assert [line["verdict"] for line in written(booth)] == ["fixable", "keep"]


def test_a_renamed_take_moves_in_the_table(booth):
    """A new name is a new line and number; nothing is measured again."""
    old, new = booth.folder / "untitled.flac", booth.folder / "02_kiln_t7.flac"
    _, out, _ = booth(record(booth, KEEP, old.name), lambda: old.rename(new))
    assert "untitled.flac is now 02_kiln_t7.flac." in out
    assert re.search(r"02_kiln\s+done\s+7 keep\n$", out.split("\n\nEvery")[0] + "\n")
    assert [(line["line"], line["take"]) for line in written(booth)] == [
        (None, None),
        ("02_kiln", 7),
    ]


def test_a_deleted_take_leaves_the_table(booth):
    """A line whose only clean take was deleted needs one again."""
    _, out, _ = booth(record(booth, KEEP), record(booth, FIXABLE), (booth.folder / KEEP).unlink)
    assert f"{KEEP} was deleted." in out
    assert "Still needs a clean take: 01_river." in out


def test_a_mix_in_the_folder_is_no_take(booth):
    """It is named and makes no line, whether it was there before or comes while takes do."""
    shutil.copyfile(SESSION / "mix.flac", booth.folder / "mix.flac")
    _, out, _ = booth(record(booth, KEEP), record(booth, "mix.flac", "mix v2.flac"))
    assert "mix v2.flac is there: by its name no take." in out
    assert out.rstrip().endswith("Every line is done.")
    assert not re.search(r"^  takes ", out, re.MULTILINE)


def test_a_file_that_is_no_recording_is_named_and_the_rest_goes_on(booth):
    """An unreadable file gets one line when its patience is up, and takes after it a verdict."""
    waits = [lambda: None] * 10
    _, out, _ = booth(
        lambda: (booth.folder / "01_river_t9.wav").write_bytes(b"notes, not audio"),
        *waits,
        record(booth, KEEP),
    )
    assert "UNREAD" in out
    assert "01_river_t9.wav: is not an audio file" in " ".join(out.split())
    assert "KEEP  01_river, take 4" in out
    assert written(booth)[0]["error"].endswith("is not an audio file")


def test_room_tone_and_test_reads_are_no_takes(booth):
    """Room tone tells its noise floor, a test read what to do with the gain; neither is a line.

    The test read is the take recorded 18 dB too low (truth.json).
    """
    _, out, _ = booth(
        record(booth, "room_tone.flac"),
        record(booth, QUIET, "ida test.flac"),
    )
    assert "TONE  room_tone.flac" in out
    assert "Nobody speaks; noise floor -74 dBFS." in out
    assert re.search(r"TEST  ida test\.flac\n\n> Turn the gain up by 1\d dB\.", out)
    assert out.rstrip().endswith("Nothing was recorded.")


def test_drift_since_the_first_good_take_is_told(booth):
    """The take 18 dB too low says so against the first good one of the session."""
    _, out, _ = booth(record(booth, KEEP), record(booth, QUIET))
    drift = out.split("03_hands, take 3")[1]
    assert re.search(r"Since 01_river, take 4: voice 1[5-9] LU softer, noise 2 dB up\.", drift)
    assert drift.count("\n> ") == 1, "one action"


def test_a_fault_of_our_own_costs_one_verdict_not_the_session(booth, monkeypatch):
    """An internal error is told on stderr with the file, and the next take is judged."""
    monkeypatch.delenv("VOCHECK_DEBUG", raising=False)
    import vocheck.desk.standby

    honest = vocheck.desk.standby.check_all

    def broken(paths, *settings):
        if any("t2" in str(path) for path in paths):
            raise ZeroDivisionError("division by zero")
        return honest(paths, *settings)

    monkeypatch.setattr(vocheck.desk.standby, "check_all", broken)
    _, out, err = booth(record(booth, FIXABLE), record(booth, KEEP))
    assert f"{FIXABLE}: internal error: ZeroDivisionError" in err
    assert "KEEP  01_river, take 4" in out


def test_until_idle_ends_by_itself(booth):
    """Status 1 while a line needs a clean take, 0 when every line has one."""
    options = ["--until-idle", "3", "--every", "0.5"]
    quiet = [lambda: None] * 20
    assert booth(record(booth, FIXABLE), *quiet, options=options)[0] == 1
    assert booth(record(booth, KEEP), *quiet, options=options)[0] == 0


def test_the_page_follows_the_session(booth):
    """The page is served on loopback; what it shows changes with each take, and names are text.

    Its address holds a key, and nobody can change anything with it.
    """
    import vocheck.desk.serve

    states, urls = [], []
    made = vocheck.desk.serve.Server.__enter__

    def remember(server):
        urls.append(server.url)
        return made(server)

    def look():
        states.append(news(urls[0])["booth"]["html"])

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(vocheck.desk.serve.Server, "__enter__", remember)
        _, out, _ = booth(
            look,
            record(booth, FIXABLE, "<b>river_t1.flac"),
            look,
            options=["--page", "--port", "0"],
        )
    assert f"Page for the tablet: {urls[0]}\n" in out
    assert urls[0].startswith("http://127.0.0.1:")
    assert "Standing by" in states[0]
    assert '<div class="sign fixable"><h1>FIXABLE</h1>' in states[1]
    assert "&lt;b&gt;river, take 1" in states[1]
    assert "<b>river" not in states[1]


def test_a_folder_that_cannot_be_written_to_is_said_at_once(booth, tmp_path):
    """Where results cannot be kept, the session does not begin."""
    status, _, err = booth(options=["--output", str(tmp_path / "away" / "results.jsonl")])
    assert status == 2
    assert "results.jsonl: cannot be written" in err


def test_the_verdict_can_be_read_from_across_the_room():
    """The large letters are five lines high, and as wide as the word needs within 80 columns."""
    from vocheck.report.text.watch import large
    from vocheck.wording.booth import WORDS

    for word in filter(None, WORDS.values()):
        rows = large(word, "#").split("\n")
        assert len(rows) == 5
        assert 40 <= max(map(len, rows)) <= 80
        assert set("".join(rows)) == {"#", " "}
