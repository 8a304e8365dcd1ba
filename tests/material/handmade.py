"""Results made by hand: what vocheck would have measured on a take, so that the answer is known.

`facts` is a faultless take of a quiet booth; every fact can be set. Nothing is measured from sound
but one second of silence, for the shape.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from vocheck.measurements import Measurements, measure
from vocheck.measurements.speech import Span
from vocheck.measurements.tone import Band
from vocheck.policy.judge import Verdict
from vocheck.recording import Recording
from vocheck.session.take import TakeResult

FAULTLESS: dict[str, dict[str, Any]] = {
    "loudness": {"integrated_lufs": -24.0},
    "level": {"active_dbfs": -23.0},
    "true_peak": {"level_dbtp": -6.0},
    "noise": {"floor_dbfs": -85.0, "floor_a_dbfs": -90.0, "snr_db": 62.0},
    "hum": {"mains_hz": None, "level_re_speech_db": None, "tones": ()},
    "processing": {
        "gate_score": 0.0,
        "gated": False,
        "gate_depth_db": None,
        "gate_dead_fraction": None,
        "log_spectral_std_db": 5.5,
    },
    "reverberation": {"rt60_s": 0.12, "c50_db": 25.0},
    "plosives": {"events": ()},
    "sibilance": {"ratio_db": -22.0, "events": ()},
    "clipping": {"fraction": 0.0, "runs": ()},
    "clicks": {"digital": (), "mouth": ()},
    "dropouts": {"events": ()},
    "speech": {
        "phrases": (Span(start_s=0.5, end_s=4.5), Span(start_s=5.0, end_s=9.5)),
        "pauses": (Span(start_s=4.5, end_s=5.0),),
        "syllables_per_s": 4.0,
        "pitch_median_hz": 200.0,
    },
    "tone": {
        "bandwidth_hz": 20_000.0,
        "ltas": tuple(
            Band(centre_hz=hz, level_db=-40.0)
            for hz in (100.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 6300.0)
        ),
    },
}


@cache
def _silence() -> Measurements:
    return measure(Recording(np.zeros(48_000, np.float32), 48_000))


def facts(**changed: Any) -> Measurements:
    """Return a faultless take's facts, some of them changed: ``noise__snr_db=40.0``."""
    groups = {group: dict(values) for group, values in FAULTLESS.items()}
    for name, value in changed.items():
        group, _, field = name.partition("__")
        groups.setdefault(group, {})[field] = value
    base = _silence()
    return replace(
        base,
        **{
            group: replace(
                getattr(base, group),
                not_measured={
                    name: "not measured" for name, value in values.items() if value is None
                },
                **values,
            )
            for group, values in groups.items()
        },
    )


def take(
    number: int | None = 1, *, verdict: Verdict = "keep", line: str | None = "01_river", **more: Any
) -> TakeResult:
    """Return a take of a line, faultless but for what is said; more facts as in `facts`."""
    return TakeResult(
        path=f"01_river_t{number}.flac",
        sha256=None,
        line=line,
        take=number,
        source=Recording(np.zeros((1, 1), np.float32), 48_000).source,
        findings=(),
        verdict=verdict,
        reading=more.pop("reading", None),
        measurements=facts(**more),
    )
