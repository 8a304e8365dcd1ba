# ruff: noqa: ARG001  (every fault is planted through one signature)
"""Takes of a line with known faults, what vocheck measures on them and what outside judges say.

A `Line` is one sentence or two of one voice. A `Take` is a reading of it: a little faster or slower
(and so higher or lower, up to 3 %), up to 3 dB louder or softer, with pauses of its own before and
after, in a quiet booth (noise 60 dB below the voice) before a good converter (-95 dBFS), and with
the faults that were planted. Two takes of a line are never the same samples. Everything is seeded;
measurements and judgments are kept in `tests.material.outside.CACHE` under the hash of the samples.

Judges, at 16 kHz, which is what they take:

- PESQ (ITU-T P.862.2, wideband): perceptual difference from the clean reading;
- STOI (Taal and others 2011): correlation of the short-time envelopes with the clean reading;
- DNSMOS P.808 and P.835 (Reddy and others 2021, 2022): networks trained on listeners' scores of
  noise suppressors, without a reference.
"""

from __future__ import annotations

import hashlib
import json
import pickle
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property, lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soxr
from scipy.fft import next_fast_len
from scipy.ndimage import uniform_filter1d

import vocheck
from tests.material import outside, speech
from tests.material.planted import (
    clip,
    digital_click,
    envelope_db,
    mains,
    mouth_click,
    noise_burst,
    ringing_spike,
    spectral,
    turned_down,
    with_bell,
)
from tests.material.speech import Speech
from tests.material.takes import colored, scaled
from vocheck.measurements import Measurements, measure
from vocheck.recording import Recording
from vocheck.voice.activity import activity_of
from vocheck.voice.level import active_level

RATE = 48_000
JUDGE_RATE = 16_000
VOICE_DBFS = -23.0
ROOM_DB = -60.0
CONVERTER_DBFS = -95.0
BOOK_BAND_HZ = 7500.0
KEPT = outside.CACHE / "ranking"

Samples = npt.NDArray[np.float32]
Plant = Callable[[Samples, Speech, float, np.random.Generator], Samples]
"""Puts a fault of some strength into samples; the clean reading tells where the phones are."""


@dataclass(frozen=True)
class Fault:
    """One kind of fault.

    Attributes
    ----------
    name, unit : str
    grades : tuple of float
        Four strengths, each worse than the one before.
    plant : callable
    heard_by : frozenset of str
        Judges that can hear it.
    """

    name: str
    unit: str
    grades: tuple[float, float, float, float]
    plant: Plant
    heard_by: frozenset[str]

    def strength(self, grade: float) -> float:
        """Return the strength at a grade from 1 to 4, grades between included."""
        return float(np.interp(grade, (1, 2, 3, 4), self.grades))


@dataclass(frozen=True)
class Line:
    """What one voice reads."""

    name: str
    voice: Speech
    real: bool


@dataclass(frozen=True, eq=False)
class Take:
    """One reading with its faults: pairs of a fault's name and its grade (1 to 4)."""

    line: Line
    faults: tuple[tuple[str, float], ...]
    seed: int

    @cached_property
    def made(self) -> tuple[Samples, Samples]:
        """The take and its clean reading, at 48 kHz."""
        return _make(self)

    @cached_property
    def key(self) -> str:
        """Hash of the samples; remembered for as long as the code that makes them is the same."""
        recipe = f"{_digest(_MAKERS)} {self.line.name} {self.faults} {self.seed}"
        file = KEPT / f"{hashlib.sha256(recipe.encode()).hexdigest()[:24]}.key"
        if not file.exists():
            samples, clean = self.made
            digest = hashlib.sha256(samples.tobytes() + clean.tobytes()).hexdigest()[:24]
            _write(file, digest.encode())
        return file.read_text(encoding="ascii")

    @cached_property
    def measurements(self) -> Measurements:
        """What vocheck measures on the take."""
        file = KEPT / f"{self.key}-{_digest(_MEASURERS)}.pickle"
        if not file.exists():
            _write(file, pickle.dumps(measure(Recording(self.made[0], RATE))))
        return pickle.loads(file.read_bytes())

    def judged(self, judge: str) -> float:
        """Return what ``"PESQ"``, ``"STOI"``, ``"P.808"`` or ``"P.835"`` says of the take."""
        group = "DNSMOS" if judge in ("P.808", "P.835") else judge
        file = KEPT / f"{self.key}-{group}.json"
        if not file.exists():
            at_16 = [soxr.resample(x, RATE, JUDGE_RATE, "HQ") for x in self.made]
            _write(file, json.dumps(JUDGES[group](*at_16)).encode())
        return float(json.loads(file.read_bytes())[judge])

    def forget(self) -> Take:
        """Return the same take with the samples dropped, once what is known of it is kept."""
        self.__dict__.pop("made", None)
        return self


def _write(file: Path, data: bytes) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    part = file.with_suffix(".part")
    part.write_bytes(data)
    part.replace(file)


_PACKAGE = Path(vocheck.__file__).parent
_MEASURERS = (_PACKAGE / "recording.py", _PACKAGE / "measurements", _PACKAGE / "dsp")
_MAKERS = (Path(__file__), Path(speech.__file__), _PACKAGE / "voice" / "level.py")


@cache
def _digest(sources: tuple[Path, ...]) -> str:
    """Return a hash of files, and of all files in folders."""
    digest = hashlib.sha256()
    for source in sources:
        for file in sorted(source.glob("*")) if source.is_dir() else [source]:
            if file.is_file():
                digest.update(file.read_bytes())
    return digest.hexdigest()[:12]


def _pesq(take: Samples, clean: Samples) -> dict[str, float]:
    from pesq import pesq

    return {"PESQ": float(pesq(JUDGE_RATE, clean, take, "wb"))}


def _stoi(take: Samples, clean: Samples) -> dict[str, float]:
    from pystoi import stoi

    return {"STOI": float(stoi(clean, take, JUDGE_RATE))}


def _dnsmos(take: Samples, clean: Samples) -> dict[str, float]:
    from speechmos import dnsmos

    level = active_level(clean, JUDGE_RATE).dbfs
    x = np.clip(take * np.float32(10 ** ((VOICE_DBFS - level) / 20)), -1.0, 1.0)
    found = dnsmos.run(x, JUDGE_RATE)
    return {"P.808": float(found["p808_mos"]), "P.835": float(found["ovrl_mos"])}


JUDGES: Mapping[str, Callable[[Samples, Samples], dict[str, float]]] = {
    "PESQ": _pesq,
    "STOI": _stoi,
    "DNSMOS": _dnsmos,
}


# --- what goes wrong with a take -----------------------------------------------------------------


def _level(voice: Speech) -> float:
    return active_level(voice.samples, voice.rate).dbfs


def _sharp_esses(x: Samples, voice: Speech, gain_db: float, rng: np.random.Generator) -> Samples:
    return with_bell(replace(voice, samples=x), gain_db).samples


def _tick(rng: np.random.Generator) -> npt.NDArray[np.float64]:
    return mouth_click(RATE, rng)


def _add(
    x: Samples,
    times_s: Iterable[float],
    db: float,
    voice: Speech,
    rng: np.random.Generator,
    sound: Callable[[np.random.Generator], npt.NDArray[np.float64]],
) -> Samples:
    """Return `x` with a sound at each time, its peak or RMS (of what makes 1) at a level."""
    x = x.copy()
    gain = 10 ** ((_level(voice) + db) / 20)
    for time in times_s:
        start = round(time * RATE)
        added = (gain * sound(rng))[: len(x) - start]
        x[start : start + len(added)] += added.astype(np.float32)
    return x


def _more_mouth_clicks(
    x: Samples, voice: Speech, count: float, rng: np.random.Generator
) -> Samples:
    return _add(x, _quiet(voice, round(count), rng), -10.0, voice, rng, _tick)


def _louder_mouth(x: Samples, voice: Speech, db: float, rng: np.random.Generator) -> Samples:
    return _add(x, _quiet(voice, 4, rng), db, voice, rng, _tick)


def _more_digital_clicks(
    x: Samples, voice: Speech, count: float, rng: np.random.Generator
) -> Samples:
    return _add(x, _loud(voice, round(count), rng), 0.0, voice, rng, digital_click)


def _louder_digital(x: Samples, voice: Speech, db: float, rng: np.random.Generator) -> Samples:
    return _add(x, _loud(voice, 4, rng), db, voice, rng, digital_click)


def _louder_pops(x: Samples, voice: Speech, db: float, rng: np.random.Generator) -> Samples:
    def blast(rng: np.random.Generator) -> npt.NDArray[np.float64]:
        return (noise_burst if rng.random() < 0.5 else ringing_spike)(RATE, rng)

    return _add(x, _bursts(voice, 3, rng), db, voice, rng, blast)


def _more_pops(x: Samples, voice: Speech, count: float, rng: np.random.Generator) -> Samples:
    def blast(rng: np.random.Generator) -> npt.NDArray[np.float64]:
        return (noise_burst if rng.random() < 0.5 else ringing_spike)(RATE, rng)

    return _add(x, _bursts(voice, round(count), rng), -3.0, voice, rng, blast)


def _room(x: Samples, voice: Speech, rt60_s: float, rng: np.random.Generator) -> Samples:
    """Return `x` in a room: the farther sound the stronger the longer it lasts (Sabine).

    At the same distance from the mouth the reverberant energy grows with the reverberation time; it
    lies 10 dB below the direct sound at 0.3 s. The tail is Gaussian noise under an exponential
    decay, shorter above 2 kHz, from 3 ms on.
    """
    t = np.arange(round((rt60_s + 0.1) * RATE)) / RATE
    tail = np.zeros(len(t))
    hz = np.fft.rfftfreq(len(t), 1 / RATE)
    for low, high, share in ((0, 2000, 1.1), (2000, 6000, 0.9), (6000, RATE, 0.6)):
        band = np.fft.rfft(rng.standard_normal(len(t))) * ((hz >= low) & (hz < high))
        tail += np.fft.irfft(band, len(t)) * 10 ** (-3 * t / (share * rt60_s))
    tail[: round(0.003 * RATE)] = 0.0
    tail *= np.sqrt(10**-1.0 * rt60_s / 0.3 / np.sum(tail**2))
    tail[0] = 1.0
    size = next_fast_len(len(x) + len(t), real=True)
    wet = np.fft.irfft(np.fft.rfft(x, size) * np.fft.rfft(tail, size), size)
    return wet[: len(x)].astype(np.float32)


def _background(kind: str, frames: int, level_dbfs: float, rng: np.random.Generator) -> Samples:
    return scaled(colored(kind, next_fast_len(frames, real=True), rng)[:frames], level_dbfs)


def _noise(x: Samples, voice: Speech, snr_db: float, rng: np.random.Generator) -> Samples:
    kind = ("room", "pink", "white")[rng.integers(3)]
    return x + _background(kind, len(x), _level(voice) - snr_db, rng)


def _hum(x: Samples, voice: Speech, db: float, rng: np.random.Generator) -> Samples:
    hz, kind = (50.0, 60.0)[rng.integers(2)], int(rng.integers(3))
    return x + scaled(mains(len(x), hz, kind, rng), _level(voice) + db)


def _reduced(x: Samples, voice: Speech, snr_db: float, rng: np.random.Generator) -> Samples:
    """Return `x` in noise, after power spectral subtraction (Boll 1979), doubled, 30 dB at most."""
    noisy = _noise(x, voice, snr_db, rng)
    return spectral(noisy, lambda p, n: np.sqrt(np.maximum(1.0 - 2.0 * n / p, 1e-3)))


def _deep_gate(x: Samples, voice: Speech, depth_db: float, rng: np.random.Generator) -> Samples:
    """Return `x` in noise 45 dB below the voice, after a gate that closes 32 dB below it."""
    noisy = x + _background("room", len(x), _level(voice) - 45.0, rng)
    return _gated(noisy, _level(voice) - 32.0, depth_db)


def _greedy_gate(x: Samples, voice: Speech, db: float, rng: np.random.Generator) -> Samples:
    """Return `x` after a gate of 40 dB that closes so many decibels from the voice."""
    return _gated(x, _level(voice) + db, 40.0)


def _gated(x: Samples, threshold_dbfs: float, depth_db: float) -> Samples:
    return turned_down(x, np.where(envelope_db(x) > threshold_dbfs, 0.0, -depth_db))


def _too_low(x: Samples, voice: Speech, dbfs: float, rng: np.random.Generator) -> Samples:
    return x * np.float32(10 ** ((dbfs - _level(voice)) / 20))


def _too_hot(x: Samples, voice: Speech, peak_db: float, rng: np.random.Generator) -> Samples:
    return x * np.float32(10 ** (peak_db / 20) / np.abs(x).max())


def _clipped(x: Samples, voice: Speech, percent: float, rng: np.random.Generator) -> Samples:
    return clip(x, percent / 100)[0]


def _dull(x: Samples, voice: Speech, khz: float, rng: np.random.Generator) -> Samples:
    """Return `x` through a steep low-pass, as of a low sample rate or a strong codec."""
    size = next_fast_len(len(x), real=True)
    spectrum = np.fft.rfft(x, size)
    hz = np.fft.rfftfreq(size, 1 / RATE)
    spectrum *= np.clip((1000 * khz + 150 - hz) / 300, 0.0, 1.0)
    return np.fft.irfft(spectrum, size)[: len(x)].astype(np.float32)


def _more_dropouts(x: Samples, voice: Speech, count: float, rng: np.random.Generator) -> Samples:
    return _holes(x, _loud(voice, round(count), rng), 0.010)


def _longer_dropouts(x: Samples, voice: Speech, ms: float, rng: np.random.Generator) -> Samples:
    return _holes(x, _loud(voice, 3, rng), ms / 1000)


def _holes(x: Samples, times_s: Iterable[float], length_s: float) -> Samples:
    x = x.copy()
    for time in times_s:
        x[round(time * RATE) : round((time + length_s) * RATE)] = 0.0
    return x


def _levels(voice: Speech) -> npt.NDArray[np.float64]:
    """Return the level of the clean reading in frames of 10 ms, in dB re its active level."""
    frame = RATE // 100
    x = voice.samples[: len(voice.samples) // frame * frame].astype(np.float64)
    power = np.square(x).reshape(-1, frame).mean(axis=1)
    return 10 * np.log10(power + 1e-15) - _level(voice)


def _spread(times_s: npt.NDArray, count: int, rng: np.random.Generator) -> list[float]:
    """Draw `count` of the times, no two within 60 ms where there are enough."""
    chosen: list[float] = []
    for apart_s in (0.06, 0.0):
        for time in rng.permutation(times_s).tolist():
            if len(chosen) < count and all(abs(time - other) > apart_s for other in chosen):
                chosen.append(time)
    return chosen


def _loud(voice: Speech, count: int, rng: np.random.Generator) -> list[float]:
    """Draw moments inside speech."""
    frames = np.flatnonzero(_levels(voice)[:-15] > -12.0)
    return _spread(frames / 100 + 0.001, count, rng)


def _quiet(voice: Speech, count: int, rng: np.random.Generator) -> list[float]:
    """Draw moments in the pauses."""
    loud = np.convolve(_levels(voice) > -40.0, np.ones(11), "same") > 0.5
    frames = np.flatnonzero(~loud[:-10])
    return _spread(frames[frames > 5] / 100, count, rng)


def _bursts(voice: Speech, count: int, rng: np.random.Generator) -> list[float]:
    """Draw releases of p and b; where they are too few or unknown, other onsets."""
    known = [t for t in speech.releases(voice) if t < voice.duration_s - 0.5]
    chosen = _spread(np.array(known), count, rng)
    level = np.maximum(_levels(voice), -35.0)
    rise = level[4:-60] - level[:-64]
    onsets = np.argsort(-rise)[:60] / 100 + 0.02
    for time in onsets.tolist():
        if len(chosen) < count and all(abs(time - other) > 0.25 for other in chosen):
            chosen.append(time)
    return chosen


_PESQ, _ALL = frozenset({"PESQ", "STOI"}), frozenset({"PESQ", "STOI", "P.808", "P.835"})

FAULTS: dict[str, Fault] = {
    fault.name: fault
    for fault in (
        Fault("sharp esses", "dB at 5-9 kHz", (3, 6, 9, 12), _sharp_esses, frozenset()),
        Fault("more mouth clicks", "of -10 dB", (2, 4, 8, 16), _more_mouth_clicks, frozenset()),
        Fault("louder mouth clicks", "dB, four", (-25, -15, -5, 5), _louder_mouth, frozenset()),
        Fault("more pops", "of -3 dB", (1, 2, 4, 7), _more_pops, _PESQ),
        Fault("louder pops", "dB, three", (-12, -6, 0, 6), _louder_pops, _PESQ),
        Fault("room", "s RT60", (0.15, 0.3, 0.6, 1.2), _room, _ALL),
        Fault("noise", "dB SNR", (48, 38, 28, 18), _noise, _ALL),
        Fault("hum", "dB", (-50, -40, -30, -20), _hum, _PESQ),
        Fault("noise reduction", "dB SNR before", (45, 35, 25, 15), _reduced, _ALL),
        Fault("deeper gate", "dB", (6, 12, 20, 40), _deep_gate, frozenset()),
        Fault("gate that eats words", "dB threshold", (-30, -23, -16, -9), _greedy_gate, _PESQ),
        Fault("too low", "dBFS", (-32, -40, -48, -56), _too_low, _PESQ),
        Fault("too hot", "dBFS peak", (-2.4, -1.6, -0.8, 0.0), _too_hot, frozenset()),
        Fault("clipping", "% of samples", (0.03, 0.2, 1.0, 5.0), _clipped, _PESQ),
        Fault("dull", "kHz", (12.0, 8.0, 5.5, 3.4), _dull, _PESQ),
        Fault("more digital clicks", "of 0 dB", (1, 3, 8, 20), _more_digital_clicks, _PESQ),
        Fault("louder digital clicks", "dB, four", (-20, -10, 0, 10), _louder_digital, _PESQ),
        Fault("more dropouts", "of 10 ms", (1, 2, 4, 8), _more_dropouts, _PESQ),
        Fault("longer dropouts", "ms, three", (3, 10, 30, 80), _longer_dropouts, _PESQ),
    )
}  # fmt: skip
"""Every kind, in the order in which they befall a take, from the mouth to the file."""

_BEFORE_ROOM = tuple(FAULTS)[: tuple(FAULTS).index("noise")]
_BEFORE_CONVERTER = tuple(FAULTS)[: tuple(FAULTS).index("clipping")]


def _make(take: Take) -> tuple[Samples, Samples]:
    seed = int(hashlib.sha256(f"{take.line.name} {take.seed}".encode()).hexdigest()[:12], 16)
    rng = np.random.default_rng(seed)
    clean = _reading(take.line.voice, rng)
    grades = dict(take.faults)
    x = clean.samples
    streams = dict(zip(FAULTS, rng.spawn(len(FAULTS)), strict=True))
    for stage in (
        _BEFORE_ROOM,
        "booth",
        _BEFORE_CONVERTER[len(_BEFORE_ROOM) :],
        "converter",
        tuple(FAULTS)[len(_BEFORE_CONVERTER) :],
    ):
        if stage == "booth":
            x = x + _background("room", len(x), _level(clean) + ROOM_DB, rng)
        elif stage == "converter":
            x = x + _background("white", len(x), CONVERTER_DBFS, rng)
        else:
            for name in stage:
                if name in grades:
                    fault = FAULTS[name]
                    x = fault.plant(x, clean, fault.strength(grades[name]), streams[name])
    return np.round(x * 2.0**23).astype(np.float32) / np.float32(2.0**23), clean.samples


def _reading(voice: Speech, rng: np.random.Generator) -> Speech:
    """Return a reading: tempo and pitch within 3 %, level within 3 dB, pauses of its own."""
    tempo = 1 + rng.uniform(-0.03, 0.03)
    spoken = soxr.resample(voice.samples, voice.rate, RATE / tempo, "HQ")
    head, tail = (np.zeros(round(rng.uniform(0.5, 1.0) * RATE), np.float32) for _ in range(2))
    x = np.concatenate([head, spoken.astype(np.float32), tail])
    gain_db = VOICE_DBFS + rng.uniform(-3.0, 3.0) - active_level(x, RATE).dbfs
    phones = tuple(
        replace(
            phone,
            start_s=phone.start_s / tempo + len(head) / RATE,
            end_s=phone.end_s / tempo + len(head) / RATE,
        )
        for phone in voice.phones
    )
    return Speech(voice.name, x * np.float32(10 ** (gain_db / 20)), RATE, phones)


# --- the takes -----------------------------------------------------------------------------------


@lru_cache
def lines(*, testing: bool) -> tuple[Line, ...]:
    """Return the lines to fit on, or those to test on; no voice and no sentence is in both."""
    from tests.material.dry_voices import voices

    names, texts = (
        (speech.TEST_VOICES, speech.TEST_LINES)
        if testing
        else (speech.DEVELOPMENT_VOICES, speech.DEVELOPMENT_LINES)
    )
    found = [
        Line(name, _full_band(speech.synthesise(text, name)), real=False)
        for name, text in zip(names[:3], texts, strict=False)
    ]
    for voice in voices(None, testing=testing):  # prompts read in dry studios
        if not voice.synthetic:
            prompt = Speech(voice.name, voice.clips[1], JUDGE_RATE)
            found.append(Line(voice.name, _full_band(_sentence(prompt)), real=True))
    if testing:
        sentence, book, *_ = speech.unlabelled()
        start = replace(book, samples=book.samples[: 12 * book.rate])
        found.append(Line("sentence", sentence, real=True))
        found.append(Line("book", _full_band(_sentence(start), BOOK_BAND_HZ), real=True))
    return tuple(found)


def _sentence(voice: Speech) -> Speech:
    """Return the longest piece of up to 7 s between two pauses."""
    phrases = activity_of(Recording(voice.samples, voice.rate)).phrases
    spans = [
        (a, b) for i, (a, _) in enumerate(phrases) for _, b in phrases[i:] if b - a <= 7.0
    ] or [(phrases[0][0], phrases[0][0] + 7.0)]
    start, end = max(spans, key=lambda span: span[1] - span[0])
    return replace(
        voice, samples=voice.samples[round(start * voice.rate) : round(end * voice.rate)]
    )


def _full_band(voice: Speech, edge_hz: float | None = None) -> Speech:
    """Return a voice of limited band at 48 kHz, with hiss above its edge as a booth would give.

    The hiss follows the voice's own highest third of an octave and falls by 12 dB an octave.
    Without it every take would be a dull one, but for those whose noise hides that.
    """
    edge_hz = 0.93 * (edge_hz or voice.rate / 2)
    voice = voice.at(RATE)
    size = next_fast_len(len(voice.samples), real=True)
    hz = np.fft.rfftfreq(size, 1 / RATE)
    top = (hz > 0.79 * edge_hz) & (hz < edge_hz)

    def within(x: npt.NDArray, gain: npt.NDArray) -> npt.NDArray:
        return np.fft.irfft(np.fft.rfft(x, size) * gain, size)[: len(voice.samples)]

    highest = within(voice.samples, top)
    envelope = np.sqrt(uniform_filter1d(np.square(highest), RATE // 100))
    hiss = envelope * np.random.default_rng(0).standard_normal(len(highest))
    hiss *= np.sqrt(np.mean(highest**2) / np.mean(within(hiss, top) ** 2))
    above = np.clip((hz - edge_hz) / 200.0, 0.0, 1.0) * (edge_hz / np.maximum(hz, edge_hz)) ** 2
    return replace(voice, samples=(voice.samples + within(hiss, above)).astype(np.float32))


def clean_takes(line: Line, count: int = 4) -> list[Take]:
    """Return faultless readings of a line."""
    return [Take(line, (), seed) for seed in range(count)]


def graded_takes(line: Line, fault: Fault) -> list[Take]:
    """Return a faultless take and one of each grade."""
    first = sum(f.name <= fault.name for f in FAULTS.values()) * 10 + 100
    grades = (1, 2, 3, 4)
    return [
        Take(line, (), first),
        *(Take(line, ((fault.name, grade),), first + grade) for grade in grades),
    ]


def mixed_takes(line: Line, count: int, names: Sequence[str], seed: int) -> list[Take]:
    """Return takes with one to four faults of random strength each, drawn from `names`."""
    takes = []
    for number in range(count):
        name = f"{line.name} {seed} {number}"
        rng = np.random.default_rng(int(hashlib.sha256(name.encode()).hexdigest()[:12], 16))
        chosen = rng.choice(names, rng.integers(1, 5), replace=False).tolist()
        grades = rng.uniform(1.0, 4.0, len(chosen)).tolist()
        takes.append(Take(line, tuple(zip(chosen, grades, strict=True)), 1000 * seed + number))
    return takes
