"""Loudness to ITU-R BS.1770 (being written)."""
from __future__ import annotations
from dataclasses import dataclass
from vocheck.recording import Recording
from vocheck.results import Group
@dataclass(frozen=True, kw_only=True)
class Loudness(Group):
    integrated_lufs: float | None = None
def measure(recording: Recording) -> Loudness:
    return Loudness(integrated_lufs=None, not_measured={"integrated_lufs": "not written yet"})
