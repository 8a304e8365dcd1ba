"""An utterance once it was listened to: what is left of it when its sound is gone."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vocheck.passes.alike import reduced
from vocheck.passes.listen import Span, Utterance, find_utterances, hear
from vocheck.passes.voices import Talker, Voice, cepstra_of, voice_of
from vocheck.passes.words import Heard
from vocheck.voice.activity import FRAME_S


@dataclass(frozen=True, eq=False)
class Listened:
    """What is known of an utterance.

    Attributes
    ----------
    phrases : tuple of (start_s, end_s)
    voice : Voice
    frames : ndarray of float32, shape (frames, coefficients)
        What it is compared by; none of what is no voice.
    words : list of Heard
        Empty where nobody listened to them.
    """

    phrases: tuple[Span, ...]
    voice: Voice
    frames: npt.NDArray[np.float32]
    words: list[Heard]

    @property
    def start_s(self) -> float:
        """Start of the speech."""
        return self.phrases[0][0]

    @property
    def end_s(self) -> float:
        """End of the speech."""
        return self.phrases[-1][1]

    @property
    def span(self) -> Span:
        """Both."""
        return self.start_s, self.end_s


def listen(
    path: str, hear_words: Callable[[Utterance], list[Heard]] | None = None
) -> Iterator[Listened]:
    """Listen to a recording of any length.

    Parameters
    ----------
    path : str
    hear_words : callable, optional
        Returns the words of an utterance.

    Raises
    ------
    AudioError
        If the file cannot be read.
    """
    for utterance in hear(path, find_utterances(path)[1]):
        spectrogram, cepstra = cepstra_of(utterance.samples)
        voice = voice_of(utterance.samples, spectrogram, cepstra)
        spoken = np.zeros(len(cepstra), bool)
        for start_s, end_s in () if voice.noise else utterance.phrases:
            first, last = (round((t - utterance.from_s) / FRAME_S) for t in (start_s, end_s))
            spoken[max(0, first) : last] = True
        words = hear_words(utterance) if hear_words is not None and not voice.noise else []
        yield Listened(utterance.phrases, voice, reduced(cepstra[spoken]), words)


def talker_of(utterances: Sequence[Listened]) -> Talker:
    """Return the voice that says most of some utterances."""
    return Talker([u.voice for u in utterances], [u.end_s - u.start_s for u in utterances])
