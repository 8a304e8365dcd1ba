"""espeak-ng, as the wheel ``espeakng-loader`` carries it, one utterance a process.

What espeak-ng says depends on what the process said before, so that a process must not speak twice.
This file is run by itself for that: it reads a request from standard input and writes what was
spoken to standard output. It needs neither numpy nor this package.
"""

from __future__ import annotations

import array
import ctypes
import json
import subprocess
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

WORD_EVENT, PHONEME_EVENT = 1, 7  # speak_lib.h

_SYNCHRONOUS, _PHONEME_EVENTS, _UTF8 = 2, 1, 1  # speak_lib.h
_RATE, _PITCH = 1, 3

Event = tuple[int, str, float]
"""Its kind, the place of the word in the text or the name of the sound, its time in seconds."""


class _Id(ctypes.Union):
    _fields_ = (("number", ctypes.c_int), ("name", ctypes.c_char_p), ("string", ctypes.c_char * 8))


class _Event(ctypes.Structure):
    _fields_ = (
        ("type", ctypes.c_int),
        ("unique_identifier", ctypes.c_uint),
        ("text_position", ctypes.c_int),
        ("length", ctypes.c_int),
        ("audio_position", ctypes.c_int),
        ("sample", ctypes.c_int),
        ("user_data", ctypes.c_void_p),
        ("id", _Id),
    )


_CALLBACK = ctypes.CFUNCTYPE(
    ctypes.c_int, ctypes.POINTER(ctypes.c_short), ctypes.c_int, ctypes.POINTER(_Event)
)


def speak(
    text: str, voice: str, words_per_minute: int = 175, pitch: int = 50
) -> tuple[npt.NDArray[np.float32], int, list[Event]]:
    """Return what espeak-ng says in a process of its own: samples, sample rate and events.

    The defaults are espeak-ng's own; its pitch runs from 0 to 99.
    """
    import numpy as np

    request = json.dumps([text, voice, words_per_minute, pitch])
    command = [sys.executable, __file__]
    done = subprocess.run(
        command, input=request.encode(), capture_output=True, timeout=120, check=False
    )
    if done.returncode:
        raise ValueError(f"espeak-ng, {voice}: {done.stderr.decode(errors='replace').strip()}")
    head, _, samples = done.stdout.partition(b"\n")
    rate, events = json.loads(head)
    x = np.frombuffer(samples, np.int16).astype(np.float32) / np.float32(32768)
    return x, rate, [(kind, name, time) for kind, name, time in events]


def _spoken(text: str, voice: str, words_per_minute: int, pitch: int) -> tuple[bytes, int, list]:
    import espeakng_loader

    library = ctypes.CDLL(espeakng_loader.get_library_path())
    data = espeakng_loader.get_data_path().encode()
    rate = library.espeak_Initialize(_SYNCHRONOUS, 0, data, _PHONEME_EVENTS)
    library.espeak_ng_SetRandSeed(ctypes.c_long(1))  # it starts from the clock
    samples = array.array("h")
    events: list[Event] = []

    def receive(wave: ctypes.Array[ctypes.c_short], count: int, event: Sequence[_Event]) -> int:
        if count > 0:
            samples.extend(wave[:count])
        index = 0
        while event[index].type:  # the list ends with an event of type 0
            kind, time = event[index].type, event[index].sample / rate
            if kind == PHONEME_EVENT:
                name = bytes(event[index].id.string).split(b"\0")[0].decode()
                events.append((kind, name, time))
            elif kind == WORD_EVENT:
                events.append((kind, str(event[index].text_position - 1), time))
            index += 1
        return 0

    callback = _CALLBACK(receive)
    library.espeak_SetSynthCallback(callback)
    if library.espeak_SetVoiceByName(voice.encode()) != 0:
        sys.exit("there is no such voice")
    library.espeak_SetParameter(_RATE, words_per_minute, 0)
    library.espeak_SetParameter(_PITCH, pitch, 0)
    spelled = text.encode()
    library.espeak_Synth(spelled, len(spelled) + 1, 0, 0, 0, _UTF8, None, None)
    library.espeak_Synchronize()
    return samples.tobytes(), rate, events


if __name__ == "__main__":
    pcm, sample_rate, what = _spoken(*json.load(sys.stdin))
    sys.stdout.buffer.write(json.dumps([sample_rate, what]).encode() + b"\n" + pcm)
