"""What is read where in one long recording: with a script, and by the sound alone.

The recordings are put together here (`tests.material.long_sessions`), so that what is in them is
known. How often it is right on people's voices: `tests.accuracy.passes`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.material import readings
from tests.material.long_sessions import Planted, Spoken, spoken
from vocheck.cli import run
from vocheck.passes.alike import likenesses, reduced
from vocheck.passes.find import find_passes
from vocheck.passes.lines import LineBook
from vocheck.passes.listen import RATE_HZ, find_utterances, hear
from vocheck.passes.results import Pass
from vocheck.passes.words import Heard
from vocheck.script.text import read_script

SCRIPT = {
    "river": "Just before sunrise the whole street smells of smoke and wet stones.",
    "paint": "Her father painted boats; she paints small fishes on the inside of cups.",
    "glaze": "The museum bought two pieces for its spring exhibition.",
}
TALENT, DIRECTOR = "en-us+m3", "en-us+f2"
PACES = (1.0, 1.07)


def said(text: str, voice: str, pace: float = 1.0) -> Spoken:
    return spoken(readings.read_aloud(text, voice, pace), RATE_HZ)


def clap() -> Spoken:
    rng = np.random.default_rng(1)
    size = RATE_HZ // 5
    burst = rng.standard_normal(size) * np.exp(-np.arange(size) / (0.02 * RATE_HZ))
    return Spoken((0.4 * burst / np.abs(burst).max()).astype(np.float32))


def beep() -> Spoken:
    time_s = np.arange(RATE_HZ // 2) / RATE_HZ
    return Spoken((0.1 * np.sin(2 * np.pi * 1000.0 * time_s)).astype(np.float32))


def broken(whole: Spoken, words: int) -> Spoken:
    return Spoken(whole.samples[: round(whole.word_ends_s[words - 1] * RATE_HZ)])


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Planted]]:
    """One recording: every line twice, out of order; a false start, a slate, talk, clap, beep."""
    river, paint, glaze = ([said(text, TALENT, p) for p in PACES] for text in SCRIPT.values())
    slate, talk = (
        said("Line three, take two.", DIRECTOR),
        said("Could you go a bit slower?", DIRECTOR),
    )
    order: list[tuple[str, str | None, Spoken]] = [
        ("slate", None, beep()),
        ("read", "paint", paint[0]),
        ("slate", None, slate),
        ("false start", "river", broken(river[1], 5)),
        ("read", "river", river[0]),
        ("talk", None, talk),
        ("read", "river", river[1]),
        ("read", "glaze", glaze[0]),
        ("slate", None, clap()),
        ("read", "glaze", glaze[1]),
        ("read", "paint", paint[1]),
    ]
    rng = np.random.default_rng(2)
    pieces, planted, now = [], [], 0
    for kind, line, piece in order:
        pause = np.zeros(round(rng.uniform(1.0, 1.6) * RATE_HZ), np.float32)
        pieces += [pause, piece.samples]
        start, now = now + len(pause), now + len(pause) + len(piece.samples)
        planted.append(Planted(kind, line, None, start / RATE_HZ, now / RATE_HZ, kind == "read"))
    sound = np.concatenate([*pieces, np.zeros(RATE_HZ, np.float32)])
    sound += (10 ** (-70 / 20) * rng.standard_normal(len(sound))).astype(np.float32)
    path = tmp_path_factory.mktemp("long") / "afternoon.wav"
    soundfile.write(path, sound, RATE_HZ, subtype="PCM_24")
    return path, planted


def assert_found(passes: Sequence[Pass], planted: Sequence[Planted]) -> None:
    """Every piece is there, as what it is, from where to where it is.

    The detector of speech begins 30 ms early and ends 60 ms late, for soft sounds.
    """
    assert len(passes) == len(planted)
    for found, truth in zip(passes, planted, strict=True):
        assert (found.kind, found.complete) == (
            truth.kind,
            truth.complete if truth.line else None,
        ), truth
        assert found.start_s == pytest.approx(truth.start_s, abs=0.1), truth
        assert found.end_s == pytest.approx(truth.end_s, abs=0.15), truth


def test_with_a_script_each_line_is_told_by_its_words(session: tuple[Path, list[Planted]]):
    """The attempts of a line are counted, the broken-off one with them."""
    path, planted = session
    passes = find_passes(path, SCRIPT).passes
    assert_found(passes, planted)
    assert [one.line for one in passes] == [truth.line for truth in planted]
    assert [one.attempt for one in passes if one.line == "river"] == [1, 2, 3]


def test_without_a_script_the_same_words_are_one_line(session: tuple[Path, list[Planted]]):
    """Lines are numbered as they come; nobody understands the words of a slate."""
    path, planted = session
    passes = find_passes(path).passes
    names = {None: None, "paint": "line_01", "river": "line_02", "glaze": "line_03"}
    assert [one.line for one in passes] == [names[truth.line] for truth in planted]
    spoken_slate = [truth if truth.end_s - truth.start_s < 0.6 else None for truth in planted]
    expected = [
        Planted("talk", None, None, t.start_s, t.end_s, False)
        if t.kind == "slate" and s is None
        else t
        for t, s in zip(planted, spoken_slate, strict=True)
    ]
    assert_found(passes, expected)


@pytest.mark.parametrize("gain", [0.05, 2.0])
def test_passes_do_not_depend_on_gain(
    session: tuple[Path, list[Planted]], tmp_path: Path, gain: float
):
    path, _ = session
    sound, rate = soundfile.read(path, dtype="float32")
    soundfile.write(tmp_path / "other.wav", sound * gain, rate, subtype="FLOAT")
    one, other = find_passes(path), find_passes(tmp_path / "other.wav")
    assert [(p.line, p.kind) for p in one.passes] == [(p.line, p.kind) for p in other.passes]


def test_json_has_the_names_of_the_schema(
    session: tuple[Path, list[Planted]], capsys: pytest.CaptureFixture[str]
):
    assert run(["passes", str(session[0]), "--format", "json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert set(data) == {"schema", "path", "passes"}
    assert list(data["passes"][0]) == [
        "line", "attempt", "start_s", "end_s", "kind", "complete", "confidence",
    ]  # fmt: skip


def test_bad_input_is_one_clear_line(
    session: tuple[Path, list[Planted]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    """No speech; one take; a script of another text; no script in English."""
    rng = np.random.default_rng(3)
    noise = (1e-3 * rng.standard_normal(3 * RATE_HZ)).astype(np.float32)
    one = said(SCRIPT["glaze"], TALENT).samples
    soundfile.write(tmp_path / "noise.wav", noise, RATE_HZ)
    soundfile.write(tmp_path / "one.wav", np.concatenate((noise, one, noise)), RATE_HZ)
    other = tmp_path / "other.txt"
    other.write_text("a: Mountains of yellow butter\nb: Uncle Jacob juggles jelly\n")
    german = tmp_path / "german.txt"
    german.write_text("a: Zwischen Fluss und Werkstatt wartet täglich Töpferware\n")
    for args, told in (
        (["noise.wav"], "no speech was found"),
        (["one.wav"], "it is a take"),
        ([str(session[0]), "--script", str(other)], "was another text read?"),
        ([str(session[0]), "--script", str(german)], "no English words"),
        (["."], "is a folder"),
    ):
        assert run(["passes", str(tmp_path / args[0]), *args[1:]]) == 2
        said_of_it = capsys.readouterr().err
        assert told in said_of_it
        assert said_of_it.count("\n") == 1


@pytest.mark.parametrize("rate", [44_100, 16_000])
def test_a_stretch_is_heard_where_it_is(tmp_path: Path, rate: int):
    """Blocks, channels and rates leave the sound of an utterance in its place."""
    rng = np.random.default_rng(4)
    sound = np.zeros((50 * rate, 2), np.float32)
    for start_s in (3.0, 19.9, 39.8, 45.0):  # across the edges of blocks of 20 s
        place = slice(round(start_s * rate), round((start_s + 0.5) * rate))
        sound[place, 1] = 0.1 * rng.standard_normal(len(sound[place]))
    sound += (1e-4 * rng.standard_normal(sound.shape)).astype(np.float32)
    path = tmp_path / "two.wav"
    soundfile.write(path, sound, rate, subtype="FLOAT")
    duration_s, spans = find_utterances(str(path))
    assert duration_s == pytest.approx(50.0, abs=0.001)
    heard = list(hear(str(path), spans))
    assert [h.start_s for h in heard] == pytest.approx([3.0, 19.9, 39.8, 45.0], abs=0.05)
    for one in heard:
        loud = np.flatnonzero(np.abs(one.samples) > 0.03)
        assert one.from_s + loud[0] / RATE_HZ == pytest.approx(one.start_s + 0.03, abs=0.03)


def heard_as(words: str, phones: dict[str, str], start_s: float = 0.0) -> list[Heard]:
    return [
        Heard(w, start_s + 0.3 * i, start_s + 0.3 * i + 0.3, tuple(phones[w].split()), -1.0)
        for i, w in enumerate(words.split())
    ]


PHONES = {
    "big": "B IH G", "pots": "P AA T S", "break": "B R EY K", "in": "IH N", "rain": "R EY N",
    "old": "OW L D", "men": "M EH N", "sing": "S IH NG", "low": "L OW", "pig": "P IH G",
    "spots": "S P AA T S", "thank": "TH AE NG K", "you": "Y UW",
}  # fmt: skip
BOOK = LineBook(
    {
        "a": [PHONES[w].split() for w in "big pots break in rain".split()],
        "b": [PHONES[w].split() for w in "old men sing low".split()],
    },
    {"a": (), "b": ()},
)


@pytest.mark.quick
def test_a_misheard_word_is_near():
    """Phones decide, not the spelling of words: by hand."""
    (read,) = BOOK.find(heard_as("pig spots break in rain", PHONES), [0.0] * 5)
    assert (read.line, read.missing_before, read.missing_behind) == ("a", 0, 0)
    assert 0.6 < read.fit < 1.0


@pytest.mark.quick
def test_a_line_that_is_broken_off_and_begun_again_is_two_readings():
    words = heard_as("big pots break", PHONES) + heard_as("big pots break in rain", PHONES, 2.0)
    pauses = [1.0, 0, 0, 1.1, 0, 0, 0, 0]
    first, second = BOOK.find(words, pauses)
    assert (first.line, first.first, first.last, first.missing_behind) == ("a", 0, 2, 5)
    assert (second.line, second.first, second.last, second.missing_behind) == ("a", 3, 7, 0)


@pytest.mark.quick
def test_what_is_no_line_is_left_out():
    words = heard_as("thank you", PHONES) + heard_as("old men sing low", PHONES, 3.0)
    (read,) = BOOK.find(words, [1.0, 0, 1.5, 0, 0, 0])
    assert (read.line, read.first, read.last) == ("b", 2, 5)


@pytest.mark.quick
def test_likeness_agrees_with_librosa():
    """The distance along the best path is that of librosa's subsequence DTW with the same steps."""
    librosa = pytest.importorskip("librosa")
    rng = np.random.default_rng(5)
    long = reduced(rng.standard_normal((8 * 60, 13)).astype(np.float32).cumsum(axis=0) / 8)
    short = long[20:38:1] + 0.1 * rng.standard_normal((18, 12)).astype(np.float32)
    found = likenesses([long, short])[1, 0]
    assert found.start * len(long) == pytest.approx(20, abs=1)
    assert found.end * len(long) == pytest.approx(38, abs=1)
    both = np.concatenate((long, short))
    a, b = ((x - both.mean(axis=0)) / both.std(axis=0) for x in (short, long))
    cost = np.sqrt(((a[:, None] - b[None]) ** 2).sum(axis=-1))
    steps = np.array([[1, 1], [1, 2], [2, 1]])
    total = librosa.sequence.dtw(
        C=cost, subseq=True, step_sizes_sigma=steps, backtrack=False,
        weights_add=np.zeros(3), weights_mul=np.ones(3),
    )  # fmt: skip
    assert found.distance * np.median(cost) * len(short) <= total[-1].min() * 1.3
    assert int(total[-1].argmin()) + 1 == pytest.approx(38, abs=1)


LONG = Path(__file__).parents[2] / "fixtures/long"


@pytest.mark.parametrize("scripted", [True, False])
def test_the_second_demo_session_is_what_its_truth_says(scripted: bool):
    """Made by `fixtures/make_long_session.py`; nothing was set up on it."""
    truth = json.loads((LONG / "truth.json").read_text(encoding="utf-8"))["passes"]
    script = read_script(LONG / "script.txt") if scripted else None
    passes = find_passes(LONG / "afternoon.flac", script).passes
    assert len(passes) == len(truth)
    names = list(dict.fromkeys(t["line"] for t in truth if t["line"] is not None))
    for found, planted in zip(passes, truth, strict=True):
        line = planted["line"]
        if line is not None and not scripted:
            line = f"line_{names.index(line) + 1:02d}"
        assert (found.line, found.attempt, found.complete) == (
            line,
            planted["attempt"],
            planted["complete"],
        )
        if scripted or line is not None:
            assert found.kind == planted["kind"]
        assert found.start_s == pytest.approx(planted["start_s"], abs=0.2)
        assert found.end_s == pytest.approx(planted["end_s"], abs=0.2)
