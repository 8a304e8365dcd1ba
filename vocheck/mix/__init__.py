"""A final mix against where it goes (`check_mix`), and a copy that passes (`write_mix`)."""

from vocheck.mix.check import check_mix
from vocheck.mix.lines import LineTakes, find_lines
from vocheck.mix.package import Item, Package, Problem, check_package
from vocheck.mix.results import (
    DestinationResult,
    EncodedPeak,
    IndependentReading,
    Limiting,
    LineInMix,
    LoudnessOverTime,
    MixMeasurements,
    MixResult,
    OneChannelReading,
    PeakOver,
    Refusal,
    StemMatch,
    Stems,
    WrittenMix,
)
from vocheck.mix.write import write_mix

__all__ = [
    "DestinationResult",
    "EncodedPeak",
    "IndependentReading",
    "Item",
    "Limiting",
    "LineInMix",
    "LineTakes",
    "LoudnessOverTime",
    "MixMeasurements",
    "MixResult",
    "OneChannelReading",
    "Package",
    "PeakOver",
    "Problem",
    "Refusal",
    "StemMatch",
    "Stems",
    "WrittenMix",
    "check_mix",
    "check_package",
    "find_lines",
    "write_mix",
]
