"""A final mix against where it goes: `check_mix`, and what it says."""

from vocheck.mix.check import check_mix
from vocheck.mix.results import (
    DestinationResult,
    EncodedPeak,
    IndependentReading,
    LoudnessOverTime,
    MixMeasurements,
    MixResult,
    OneChannelReading,
    PeakOver,
    StemMatch,
    Stems,
)

__all__ = [
    "DestinationResult",
    "EncodedPeak",
    "IndependentReading",
    "LoudnessOverTime",
    "MixMeasurements",
    "MixResult",
    "OneChannelReading",
    "PeakOver",
    "StemMatch",
    "Stems",
    "check_mix",
]
