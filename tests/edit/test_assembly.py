"""A rough assembly: lengths, joins, levels, room tone, words."""

from __future__ import annotations

import tracemalloc
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import pyebur128
import pytest
import soundfile

from tests.material.demo_session import FOLDER
from tests.material.handmade import take as made_take
from tests.takes.test_comp import spoiled
from vocheck.cli import run
from vocheck.edit.assembly import Assembly, assemble
from vocheck.edit.fades import crossfade
from vocheck.edit.plan import LineEdit, Piece, medium_of, plan_comp
from vocheck.edit.roomtone import repeated, room_tone
from vocheck.measurements.speech import Span
from vocheck.policy.every import Policy
from vocheck.recording import Source
from vocheck.session.cache import Cache
from vocheck.takes.comp import Comp, CompSheet, comp_takes
from vocheck.takes.rank import rank_line
from vocheck.voice.level import active_level

RATE = 48_000
EDIT = Policy().edit
GAP_S, FADE_S = EDIT.lengths["between_lines"].seconds, EDIT.lengths["crossfade"].seconds


def test_equal_power_of_sounds_that_have_nothing_in_common():
    """Within 0.1 dB in each sixth of the fade, over 3000 pairs of noises of 10 ms.

    240 000 squares of a normal number: standard error 0.013 dB. What is seen is the 0.05 dB less
    that pairs have which are alike by chance.
    """
    rng = np.random.default_rng(1)
    power = np.zeros(480)
    for pair in rng.standard_normal((3000, 2, 480)):
        power += np.square(crossfade(*pair))
    assert np.abs(10 * np.log10(power.reshape(6, -1).mean(axis=1) / 3000)).max() < 0.1


def test_a_crossfade_of_one_sound_is_that_sound():
    """Within rounding; whatever its sign, level or length."""
    rng = np.random.default_rng(2)
    for count in (1, 2, 441, 480):
        sound = rng.standard_normal(count)
        np.testing.assert_allclose(crossfade(sound, sound), sound, rtol=0, atol=1e-14)
    assert not crossfade(np.zeros(480), np.zeros(480)).any()


@pytest.mark.parametrize("alike", [0.0, 0.3, 0.6, 0.9, 1.0])
def test_power_is_kept_however_alike_the_sounds_are(alike: float):
    """Closed form: the sum has the power of either where both have the same, at any correlation."""
    rng = np.random.default_rng(3)
    own, common = rng.standard_normal((2, 200_000)), rng.standard_normal(200_000)
    first, second = np.sqrt(1 - alike) * own + np.sqrt(alike) * common
    mixed = crossfade(first, second)
    thirds = np.square(mixed).reshape(10, -1).mean(axis=1)
    # 20 000 squares in each tenth: standard error 0.043 dB
    assert np.abs(10 * np.log10(thirds)).max() < 0.1 + 0.1


def tone_take(
    path: Path,
    *,
    seed: int,
    length_s: float = 4.0,
    rate: int = RATE,
    subtype: str = "PCM_24",
    level: float = 0.1,
    noise: float = 1e-3,
    channels: int = 1,
) -> Piece:
    """Write a take, noise with a sine for a voice from 1 s to 3 s before its end, as a piece."""
    rng = np.random.default_rng(seed)
    count = round(length_s * rate)
    samples = noise * rng.standard_normal((count, channels))
    spoken = slice(rate, count - rate)
    time = np.arange(count) / rate
    samples[spoken] += level * np.sin(2 * np.pi * 441.0 * time[spoken, np.newaxis])
    soundfile.write(path, samples, rate, subtype)
    bits = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32}.get(subtype)
    result = made_take(
        seed,
        line=path.stem,
        speech__phrases=(Span(start_s=1.0, end_s=length_s - 1.0),),
        speech__pauses=(),
        level__active_dbfs=20 * np.log10(level / np.sqrt(2)),
        true_peak__channels_dbtp=(20 * np.log10(level + 4 * noise),) * channels,
    )
    source = Source(
        path=str(path),
        codec="PCM" if bits else "32-bit float",
        bits=bits,
        rate_hz=rate,
        channels=channels,
        duration_s=count / rate,
    )
    result = replace(result, path=str(path), source=source)
    (ranked,) = rank_line(path.stem, [result], {}).order
    return Piece(take=ranked, medium=medium_of(result), first=rate // 2, length=count - rate)


def lines_of(*paths: Sequence[Piece]) -> list[LineEdit]:
    lines = []
    for number, pieces in enumerate(paths, start=1):
        results = [piece.take.result for piece in pieces]
        ranking = rank_line(f"{number:02d}", results, {})
        lines.append(
            LineEdit(
                line=f"{number:02d}",
                ranking=ranking,
                best=pieces[0],
                others=tuple(pieces[1:]),
                path=tuple(pieces),
                joins=(),
            )
        )
    return lines


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT"])
@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_what_is_not_joined_is_bit_for_bit_that_of_the_take(
    tmp_path: Path, subtype: str, rate: int
):
    """Rate and word length are those of the takes; every length is exact."""
    pieces = [
        tone_take(tmp_path / f"{n}.wav", seed=n, length_s=3.0, rate=rate, subtype=subtype)
        for n in (1, 2, 3)
    ]
    lines = lines_of(pieces[:2], pieces[2:])
    assembly = assemble(lines, tmp_path / "out.wav", EDIT)
    info = soundfile.info(tmp_path / "out.wav")
    assert (info.samplerate, info.subtype, info.channels) == (rate, subtype, 1)
    gap, fade = round(GAP_S * rate), round(FADE_S * rate)
    lengths = [piece.length for piece in pieces]
    assert info.frames == sum(lengths) + gap
    with av.open(str(tmp_path / "out.wav")) as outside:
        assert outside.streams.audio[0].duration == info.frames
    assert [(part.start_s, part.end_s) for part in assembly.parts] == [
        (0.0, sum(lengths[:2]) / rate),
        ((sum(lengths[:2]) + gap) / rate, info.frames / rate),
    ]
    assert assembly.parts[0].joins_s == (lengths[0] / rate,)
    kind = "float32" if subtype == "FLOAT" else "int32"
    out, _ = soundfile.read(tmp_path / "out.wav", dtype=kind)
    at = 0
    for number, piece in enumerate(pieces):
        source, _ = soundfile.read(piece.medium.path, dtype=kind)
        at += gap if number == 2 else 0
        inner = slice(fade, piece.length - fade)
        assert np.array_equal(out[at:][inner], source[piece.first :][inner])
        at += piece.length


def test_levels_are_matched_and_peaks_spared(tmp_path: Path):
    """Takes 12 dB apart are as loud as the middle one, within 0.1 dB (libebur128, and P.56)."""
    levels = (0.05, 0.1, 0.2)
    pieces = [
        tone_take(tmp_path / f"{n}.wav", seed=n, level=level) for n, level in enumerate(levels, 1)
    ]
    lines = lines_of(*([piece] for piece in pieces))
    assembly = assemble(lines, tmp_path / "out.wav", EDIT)
    out, _ = soundfile.read(tmp_path / "out.wav", dtype="float32")
    told = [next(iter(part.gains_db.values())) for part in assembly.parts]
    assert told == pytest.approx([6.02, 0.0, -6.02], abs=0.01)
    loud, active = [], []
    for part in assembly.parts:
        line = out[round(part.start_s * RATE) : round(part.end_s * RATE)]
        spoken = line[round(0.6 * RATE) : round(2.4 * RATE)]
        assert 10 * np.log10(np.square(spoken).mean()) == pytest.approx(-23.01, abs=0.05)
        active.append(active_level(line, RATE).dbfs)
        meter = pyebur128.R128State(1, RATE, pyebur128.MeasurementMode.MODE_I)
        meter.add_frames(line, len(line))
        loud.append(pyebur128.get_loudness_global(meter))
    assert max(loud) - min(loud) < 0.1
    assert max(active) - min(active) < 0.1


def test_no_take_is_turned_up_into_its_peaks(tmp_path: Path):
    """The softest has a peak at -1.5 dBTP: all others come down to where it can go."""
    pieces = [
        tone_take(tmp_path / f"{n}.wav", seed=n, level=level)
        for n, level in enumerate((0.05, 0.1, 0.1), 1)
    ]
    loud = replace(
        pieces[0].take.result.measurements.true_peak, channels_dbtp=(-1.5,)
    )  # a plosive, say
    measured = replace(pieces[0].take.result.measurements, true_peak=loud)
    result = replace(pieces[0].take.result, measurements=measured)
    pieces[0] = replace(pieces[0], take=replace(pieces[0].take, result=result))
    assembly = assemble(lines_of(*([p] for p in pieces)), tmp_path / "out.wav", EDIT)
    gains = [next(iter(part.gains_db.values())) for part in assembly.parts]
    assert gains == pytest.approx([0.5, -5.52, -5.52], abs=0.01)


def test_rounding_leaves_no_trace_of_the_signal(tmp_path: Path):
    """At 16 bits and a changed level the error is white and does not follow the signal.

    It has 0.5 steps: two uniform numbers and the rounding make 1/6 + 1/12 steps squared.
    """
    pieces = [
        tone_take(tmp_path / f"{n}.wav", seed=n, level=level, subtype="PCM_16", noise=0.0)
        for n, level in ((1, 0.0002), (2, 0.0004))
    ]
    assembly = assemble(lines_of(*([p] for p in pieces)), tmp_path / "out.wav", EDIT)
    out, _ = soundfile.read(tmp_path / "out.wav")
    source, _ = soundfile.read(pieces[0].medium.path)
    gain = 10 ** (next(iter(assembly.parts[0].gains_db.values())) / 20)
    inner = slice(1000, pieces[0].length - 1000)
    error = (out[inner] - gain * source[pieces[0].first :][inner]) * 2**15
    assert np.sqrt(np.square(error).mean()) == pytest.approx(0.5, rel=0.01)
    assert abs(np.corrcoef(error, source[pieces[0].first :][inner])[0, 1]) < 0.01
    spectrum = np.square(np.abs(np.fft.rfft(error[: 2**16].reshape(64, -1), axis=1))).mean(axis=0)
    assert spectrum[1:-1].max() / spectrum[1:-1].mean() < 2.0


def test_takes_of_another_rate_are_resampled_to_the_right_length_and_place(tmp_path: Path):
    """The sine of the take at 44.1 kHz stands in the assembly at 48 kHz where it belongs."""
    pieces = [
        tone_take(tmp_path / "1.wav", seed=1, length_s=6.0),
        tone_take(tmp_path / "2.wav", seed=2, rate=44_100, noise=0.0),
        tone_take(tmp_path / "3.wav", seed=3),
    ]
    assembly = assemble(lines_of(*([p] for p in pieces)), tmp_path / "out.wav", EDIT)
    assert assembly.rate_hz == RATE
    out, _ = soundfile.read(tmp_path / "out.wav")
    assert len(out) == round((6.0 + 4.0 + 4.0 - 3.0 + 2 * GAP_S) * RATE)
    start = round(assembly.parts[1].start_s * RATE)
    # of the take from 0.5 s on; the sine runs from 1 s to 3 s
    time = 0.5 + np.arange(RATE, 2 * RATE) / RATE
    expected = 0.1 * np.sin(2 * np.pi * 441.0 * time)
    # -100 dB: the resampler's passband and the last bits
    assert np.abs(out[start + RATE : start + 2 * RATE] - expected).max() < 1e-6


def test_room_tone_fills_the_gaps(tmp_path: Path):
    """As loud as the takes' own pauses, without the voice, at every moment of the gap."""
    quiet, noisy = (
        tone_take(tmp_path / f"{n}.wav", seed=n, noise=noise) for n, noise in ((1, 1e-3), (2, 4e-3))
    )
    assembly = assemble(lines_of([quiet], [noisy]), tmp_path / "out.wav", EDIT)
    assert assembly.without_tone == ()
    out, _ = soundfile.read(tmp_path / "out.wav")
    start, end = (round(t * RATE) for t in (assembly.parts[0].end_s, assembly.parts[1].start_s))
    levels = 10 * np.log10(np.square(out[start:end]).reshape(10, -1).mean(axis=1))
    # from -60 dB to -48 dB, power in between; 4800 samples: standard error 0.09 dB
    phase = (np.arange(10) + 0.5) / 10 * np.pi / 2
    power = np.cos(phase) ** 2 * 1e-6 + np.sin(phase) ** 2 * 16e-6
    assert levels == pytest.approx(10 * np.log10(power), abs=0.4)


def test_room_tone_leaves_out_breaths_and_clicks(tmp_path: Path):
    """A breath and a click in the silence before the word are not in the tone."""
    piece = tone_take(tmp_path / "1.wav", seed=1)
    samples, _ = soundfile.read(piece.medium.path)
    samples[int(0.2 * RATE) : int(0.4 * RATE)] *= 8
    samples[int(0.7 * RATE)] = 0.5
    soundfile.write(piece.medium.path, samples, RATE, "PCM_24")
    tone = room_tone(piece)
    assert np.abs(tone).max() < 5.5e-3
    assert np.sqrt(np.square(tone).mean()) == pytest.approx(1e-3, rel=0.05)
    longer = repeated(tone, 5 * RATE, RATE)
    assert len(longer) == 5 * RATE
    frames = np.square(longer).reshape(100, -1).mean(axis=1)
    # 2400 samples: standard error 0.13 dB; no dip and no bump where it begins again
    assert np.abs(10 * np.log10(frames / 1e-6)).max() < 0.7


def test_where_no_take_pauses_there_is_silence_and_it_is_said(tmp_path: Path):
    pieces = []
    for n in (1, 2):
        piece = tone_take(tmp_path / f"{n}.wav", seed=n)
        speech = replace(
            piece.take.result.measurements.speech, phrases=(Span(start_s=0.0, end_s=4.0),)
        )
        measured = replace(piece.take.result.measurements, speech=speech)
        result = replace(piece.take.result, measurements=measured)
        pieces.append(replace(piece, take=replace(piece.take, result=result)))
    assembly = assemble(lines_of(*([p] for p in pieces)), tmp_path / "out.wav", EDIT)
    assert assembly.without_tone == ("01", "02")
    out, _ = soundfile.read(tmp_path / "out.wav")
    inner = slice(*(round(t * RATE) for t in (assembly.parts[0].end_s + 0.1, 4.0 - 0.1)))
    assert np.abs(out[inner]).max() <= 2 * 2**-23


def test_memory_does_not_grow_with_the_takes(tmp_path: Path):
    """A minute of stereo is read in blocks of 4 s."""
    pieces = [
        tone_take(tmp_path / f"{n}.wav", seed=n, length_s=30.0, channels=2, subtype="PCM_16")
        for n in (1, 2)
    ]
    lines = lines_of(*([p] for p in pieces))
    assemble(lines, tmp_path / "warm.wav", EDIT)
    tracemalloc.start()
    assemble(lines, tmp_path / "out.wav", EDIT)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 12e6  # all of it would be 23 MB in mono as double precision


def test_the_same_takes_give_the_same_bytes(tmp_path: Path):
    pieces = [tone_take(tmp_path / f"{n}.wav", seed=n, level=0.1 * n) for n in (1, 2)]
    for name in ("a.wav", "b.wav"):
        assemble(lines_of(*([p] for p in pieces)), tmp_path / name, EDIT)
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two takes, each spoiled in another sentence: the path changes take once."""
    folder = tmp_path_factory.mktemp("session")
    spoiled(folder)
    return folder


@pytest.fixture(scope="module")
def cache(session: Path) -> Cache:
    """So that they are measured once."""
    return Cache(session.parent / "cache")


@pytest.fixture(scope="module")
def comp(session: Path, cache: Cache) -> Comp:
    return comp_takes([session], notes={}, cache=cache)


@pytest.fixture(scope="module")
def sheet(comp: Comp) -> CompSheet:
    (made,) = comp.sheets
    return made


@pytest.fixture(scope="module")
def joined(session: Path, comp: Comp) -> tuple[LineEdit, Assembly, np.ndarray]:
    (line,) = plan_comp(comp, EDIT.lengths)
    output = session.parent / "joined.wav"
    assembly = assemble([line], output, EDIT)
    samples, _ = soundfile.read(output)
    return line, assembly, samples


def test_a_join_lies_in_the_pause_of_both_takes(
    joined: tuple[LineEdit, Assembly, np.ndarray], sheet: CompSheet
):
    """Near the places of the sheet, and inside a pause of each."""
    line, _, _ = joined
    (join,) = line.joins
    before, after = line.path
    for piece, place, proposed in (
        (before, before.first + before.length, join.out_s),
        (after, after.first, join.in_s),
    ):
        place_s = place / piece.medium.rate_hz
        (pause,) = (
            p
            for p in piece.take.result.measurements.speech.pauses
            if p.start_s <= proposed <= p.end_s
        )
        assert pause.start_s + FADE_S / 2 <= place_s <= pause.end_s - FADE_S / 2
    assert before.phrases + after.phrases == tuple(phrase.number for phrase in sheet.phrases)


def test_a_join_has_no_click(joined: tuple[LineEdit, Assembly, np.ndarray]):
    """Around it nothing stands out above the pauses it joins: not a step, and not in the treble."""
    line, assembly, out = joined
    (at_s,) = assembly.parts[0].joins_s
    at, fade = round(at_s * RATE), round(FADE_S * RATE)
    sides = []
    for piece, place in ((line.path[0], line.path[0].first + line.path[0].length),
                         (line.path[1], line.path[1].first)):  # fmt: skip
        source, _ = soundfile.read(piece.medium.path)
        gain = 10 ** (assembly.parts[0].gains_db[piece.medium.path] / 20)
        sides.append(gain * source[place - 4 * fade : place + 4 * fade])
    here = out[at - 4 * fade : at + 4 * fade]
    # The sides go on as their takes do.
    np.testing.assert_allclose(here[: 3 * fade], sides[0][: 3 * fade], atol=2 * 2**-23)
    np.testing.assert_allclose(here[-3 * fade :], sides[1][-3 * fade :], atol=2 * 2**-23)
    steps = [np.abs(np.diff(part)).max() for part in sides]
    assert np.abs(np.diff(here)).max() <= 1.1 * max(steps)

    def treble(part: np.ndarray) -> np.ndarray:
        frames = np.lib.stride_tricks.sliding_window_view(part, fade)[:: fade // 4]
        spectrum = np.square(np.abs(np.fft.rfft(frames * np.hanning(fade), axis=1)))
        return spectrum[:, fade // 8 :].sum(axis=1)  # above 6 kHz

    # A step of one thousandth of full scale would be 30 dB above this.
    assert treble(here).max() <= 2.0 * max(treble(part).max() for part in sides)


def test_the_words_of_the_path_are_those_of_its_takes(
    joined: tuple[LineEdit, Assembly, np.ndarray], sheet: CompSheet
):
    """Phrases are where the assembly says, and as long as in the takes."""
    line, assembly, out = joined
    (part,) = assembly.parts
    assert len(out) == sum(piece.length for piece in line.path)
    assert len(part.phrases) == len(sheet.phrases)
    assert part.phrases[0][0] == part.start_s
    assert part.phrases[-1][1] == pytest.approx(part.end_s)
    for before, after in zip(part.phrases, part.phrases[1:], strict=False):
        assert before[1] == after[0] > before[0]
    assert any(edge == part.joins_s[0] for _, edge in part.phrases)


def test_the_commands_render_and_never_onto_a_recording(
    session: Path,
    cache: Cache,
    comp: Comp,  # noqa: ARG001 (measured before)
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
):
    """`comp` the path, `rank` the best takes; a take of the session is refused and stays."""
    monkeypatch.setenv("VOCHECK_CACHE", str(cache.folder))
    for command, joins in (("comp", 1), ("rank", 0)):
        output = tmp_path / f"{command}.wav"
        asked = [
            command,
            str(session),
            "-q",
            "--render",
            str(output),
            "-o",
            str(tmp_path / "t.txt"),
        ]
        assert run(asked) in (0, 1)
        told = capsys.readouterr().err
        assert f"1 line, {joins} join" in told
        assert soundfile.info(output).subtype == "PCM_24"
    victim = session / "02_kiln_t3.wav"
    before = victim.read_bytes()
    assert run(["comp", str(session), "--render", str(victim)]) == 2
    assert "is one of the files that are read" in capsys.readouterr().err
    assert victim.read_bytes() == before
    elsewhere = tmp_path / "other.wav"
    elsewhere.write_bytes(before)
    assert run(["rank", str(FOLDER / "01_river_t1.flac"), "--render", str(elsewhere)]) == 2
    assert elsewhere.read_bytes() == before
