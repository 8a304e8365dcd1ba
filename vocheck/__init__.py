"""vocheck checks the recording quality of voice-over takes.

Arrays or files in, frozen results out::

    import vocheck

    result = vocheck.check_take("02_kiln_t3.wav")
    result.verdict                                  # "keep", "fixable" or "retake"
    result.measurements.loudness.integrated_lufs    # -23.4

The names below are loaded when first used, so that importing the package costs nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOME = {
    "AudioError": "errors",
    "Measurements": "measurements",
    "MixResult": "mix",
    "Ranking": "takes.rank",
    "Recording": "recording",
    "RoomResult": "room",
    "SessionError": "errors",
    "TakeResult": "session.take",
    "TargetError": "errors",
    "VocheckError": "errors",
    "check_all": "session.take",
    "check_mix": "mix",
    "check_take": "session.take",
    "measure": "measurements",
    "measure_room": "room",
    "rank_takes": "takes.rank",
    "read": "audio.readers",
    "with_sentences": "wording.sentences",
}

__all__ = ["__version__", *sorted(_HOME)]

if TYPE_CHECKING:
    from vocheck.audio.readers import read
    from vocheck.errors import AudioError, SessionError, TargetError, VocheckError
    from vocheck.measurements import Measurements, measure
    from vocheck.mix import MixResult, check_mix
    from vocheck.recording import Recording
    from vocheck.room import RoomResult, measure_room
    from vocheck.session.take import TakeResult, check_all, check_take
    from vocheck.takes.rank import Ranking, rank_takes
    from vocheck.wording.sentences import with_sentences


def __getattr__(name: str) -> Any:
    """Load a public name from its module on first use (PEP 562)."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    value = getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names, loaded or not."""
    return __all__
