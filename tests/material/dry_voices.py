"""Dry voices: what is spoken into the simulated rooms.

Three sources:

- a folder of recordings from an anechoic room, named ``SPEAKER_ANYTHING.flac`` (never part of the
  repository; given on the command line);
- prompts read by professionals in dry studios, from Debian's ``asterisk-core-sounds`` packages
  (G.722, 16 kHz; CC BY-SA 3.0, the Russian ones CC BY 3.0);
- synthetic speech: diphone voices of festival and flite, cut from people's recordings (some of them
  speak another language and read the English lines as if it were theirs), and espeak-ng with many
  of its variants, which has no room at all. One of these is a poor speaker; many of them teach that
  voices differ.

A speaker is for training or for testing, never for both.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

from tests.material import outside, speech
from vocheck.dsp.resample import resample

RATE_HZ = 16000
TEST_SPEAKERS = frozenset({"p226", "p244", "p273", "it_IT_m_Carlo", *speech.TEST_VOICES})
"""Speakers that are never trained on."""

_ASTERISK = {
    "en": ("en_US_f_Allison", "38c5261820b406dcb0ecb37675720da2b0864850690690352ca52707eb623806"),
    "fr": ("fr_CA_f_June", "7add61d5e42279ecff1bbdf842a5a946ac3644fac9a0fe44384731aa7270c8e0"),
    "it": ("it_IT_m_Carlo", "46b4cf7afc508a5fcfc051b7ea233251c0d195dd4ef83cc4b7facb4c6429b016"),
    "ru": (
        "ru_RU_f_IvrvoiceRU",
        "673b4238a6b8269960f055d868c6a11083f7a0d00979167cb01554046b48ed9b",
    ),
}
_VARIANTS = (
    *("en+m1", "en-us+m2", "en-gb-x-rp+m4", "en-029+m5", "en-gb-scotland+m6", "en-us-nyc+m8"),
    *("en+f1", "en-us+f5", "en-us+Andy", "en+Gene", "en-gb-x-rp+Hugo", "en-us+Alicia", "en-us+Lee"),
    *("en+Mario", "en-us+linda", "en+steph", "en-us+adam", "en-gb-x-rp+benjamin", "en+caleb"),
    *("en-us+david", "en-us+edward", "en+jacky", "en-gb-scotland+quincy", "en-us+rob", "en+victor"),
    *("en-us+zac", "en-us+grandma", "en+klatt2", "en-us+klatt4", "en-us+anika", "en+belinda"),
    *("en-us+aunty", "en-us+norbert", "en+travis", "en-us+steph2", "en+iven2"),
)
"""More espeak-ng voices, for training alone."""
_FESTIVAL = (
    *("ked_diphone", "upc_ca_ona_hts", "czech_dita", "czech_krb", "czech_machac", "czech_ph"),
    *("hy_fi_mv_diphone", "suo_fi_lj_diphone", "lp_diphone", "pc_diphone", "msu_ru_nsh_clunits"),
)
_FLITE = ("awb", "rms")
_PROMPTS = 30  # the longest of each speaker
_GAP_S = (0.15, 0.7)  # between clips of one speaker
_FADE_S = 0.01

Signal = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Voice:
    """One speaker.

    Attributes
    ----------
    name : str
    clips : tuple of ndarray, each of shape (frames,)
        Dry speech at 16 kHz.
    synthetic : bool
    """

    name: str
    clips: tuple[Signal, ...]
    synthetic: bool = False

    def read(self, duration_s: float, rng: np.random.Generator) -> Signal:
        """Return `duration_s` of speech, from a random place on; clips are parted by short gaps."""
        wanted = int(duration_s * RATE_HZ)
        parts: list[Signal] = []
        total = 0
        order = rng.permutation(len(self.clips)).tolist()
        skip = int(rng.integers(0, max(1, len(self.clips[order[0]]) // 2)))
        while total < wanted:
            for index in order:
                clip = _faded(self.clips[index][skip:])
                gap = np.zeros(int(rng.uniform(*_GAP_S) * RATE_HZ), np.float32)
                parts += [clip, gap]
                total += len(clip) + len(gap)
                skip = 0
                if total >= wanted:
                    break
        return np.concatenate(parts)[:wanted]


def voices(folder: Path | None, *, testing: bool) -> list[Voice]:
    """Return the speakers for training, or those for testing."""
    found = [*_anechoic(folder), *studio(), *_synthetic(testing)]
    return [voice for voice in found if (voice.name in TEST_SPEAKERS) == testing]


def _anechoic(folder: Path | None) -> Iterable[Voice]:
    clips: dict[str, list[Signal]] = {}
    for file in sorted(folder.glob("*_*.flac")) if folder else ():
        x, rate = soundfile.read(file, dtype="float32")
        clips.setdefault(file.name.partition("_")[0], []).append(resample(x, rate, RATE_HZ))
    return [Voice(name, tuple(spoken)) for name, spoken in clips.items()]


def studio() -> Iterable[Voice]:
    for language, (name, sha256) in _ASTERISK.items():
        package = outside.Package(
            f"asterisk-core-sounds-{language}-g722", {"1.6.1-1": (sha256,)}, "deb", "CC BY-SA 3.0"
        )
        files = (outside.fetch(package) / "usr/share/asterisk/sounds" / name).rglob("*.g722")
        longest = sorted((f for f in files if "silence" not in f.parts), key=_by_size)[:_PROMPTS]
        yield Voice(name, tuple(_g722(file) for file in longest))


def _by_size(file: Path) -> tuple[int, str]:
    return -file.stat().st_size, file.name


def _g722(file: Path) -> Signal:
    import av

    codec = av.CodecContext.create("g722", "r")
    data = file.read_bytes()
    frames = [
        frame.to_ndarray().ravel()
        for start in range(0, len(data), 4000)
        for frame in codec.decode(av.Packet(data[start : start + 4000]))
    ]
    return np.concatenate(frames).astype(np.float32) / np.float32(32768)


def _synthetic(testing: bool) -> Iterable[Voice]:
    names = speech.TEST_VOICES if testing else (*speech.DEVELOPMENT_VOICES, *_VARIANTS)
    lines = speech.TEST_LINES if testing else speech.DEVELOPMENT_LINES
    for name in names:
        spoken = [speech.synthesise(line, name) for line in lines]
        clips = [resample(one.samples, one.rate, RATE_HZ) for one in spoken]
        yield Voice(name, tuple(clips), synthetic=True)
    if testing:
        return
    for name in _FLITE:
        spoken = [speech.flite(line, name) for line in lines]
        clips = [resample(one.samples, one.rate, RATE_HZ) for one in spoken]
        yield Voice(f"flite {name}", tuple(clips), synthetic=True)
    for name in _FESTIVAL:
        clips = [_festival(line, name) for line in lines]
        yield Voice(f"festival {name}", tuple(clips), synthetic=True)


def _festival(line: str, voice: str) -> Signal:
    x, rate, _ = speech.festival(line, f"(voice_{voice})", "Segment", '""')
    return resample(x, rate, RATE_HZ)


def _faded(clip: Signal) -> Signal:
    """Fade both ends, so that a join of clips is no click."""
    fade = np.linspace(0, 1, int(_FADE_S * RATE_HZ), dtype=np.float32)
    shaped = clip.copy()
    if len(shaped) > 2 * len(fade):
        shaped[: len(fade)] *= fade
        shaped[-len(fade) :] *= fade[::-1]
    return shaped
