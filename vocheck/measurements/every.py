"""Every measurement on one recording: the list of them, and `measure`."""

from __future__ import annotations

from dataclasses import dataclass, fields
from importlib import import_module
from types import ModuleType
from typing import Any

from vocheck.dsp.threads import one_thread
from vocheck.measurements.breaths import Breaths
from vocheck.measurements.clicks import Clicks
from vocheck.measurements.clipping import Clipping
from vocheck.measurements.dropouts import Dropouts
from vocheck.measurements.format import Format
from vocheck.measurements.hum import Hum
from vocheck.measurements.level import Level
from vocheck.measurements.loudness import Loudness
from vocheck.measurements.noise import Noise
from vocheck.measurements.plosives import Plosives
from vocheck.measurements.processing import Processing
from vocheck.measurements.reverberation import Reverberation
from vocheck.measurements.sibilance import Sibilance
from vocheck.measurements.speech import Speech
from vocheck.measurements.tone import Tone
from vocheck.measurements.true_peak import TruePeak
from vocheck.recording import Recording
from vocheck.results import Group, Result


@dataclass(frozen=True, kw_only=True)
class Measurements(Result):
    """Everything measured on one recording, one group per module, in report order.

    This is the list of the measurements: the name of a field is that of the module which measures
    it.
    """

    loudness: Loudness
    true_peak: TruePeak
    level: Level
    speech: Speech
    noise: Noise
    hum: Hum
    processing: Processing
    reverberation: Reverberation
    plosives: Plosives
    sibilance: Sibilance
    clipping: Clipping
    clicks: Clicks
    dropouts: Dropouts
    breaths: Breaths
    tone: Tone
    format: Format

    def reasons(self) -> dict[str, str]:
        """Return the dotted names that carry no number, each with its reason."""
        groups: dict[str, Group] = {f.name: getattr(self, f.name) for f in fields(self)}
        return {
            f"{name}.{field}": reason
            for name, group in groups.items()
            for field, reason in group.reasons().items()
        }


MEASUREMENTS: tuple[ModuleType, ...] = tuple(
    import_module(f"vocheck.measurements.{f.name}") for f in fields(Measurements)
)
"""The modules that measure, in the order of `Measurements`."""


def group_name(module: ModuleType) -> str:
    """Return the name under which a module's result stands in `Measurements`."""
    return module.__name__.rpartition(".")[2]


@one_thread()
def measure(recording: Recording) -> Measurements:
    """Measure everything on one recording.

    Parameters
    ----------
    recording : Recording
        Of any length, rate and number of channels; never written to.

    Returns
    -------
    Measurements
        Facts only. What could not be measured is ``None``, with its reason.
    """
    facts: dict[str, Any] = {}
    for module in MEASUREMENTS:
        name = group_name(module)
        # Only the format looks at all channels: of several microphones one will be used.
        facts[name] = module.measure(recording if name == "format" else recording.judged)
    return Measurements(**facts)
