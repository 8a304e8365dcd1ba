"""A room as CSV: one row per band, decay and noise side by side."""

from __future__ import annotations

from typing import Any

from vocheck.report.csv import render_rows
from vocheck.room import RoomResult
from vocheck.room.positions import PositionsResult
from vocheck.wording.positions import sentence

_DECAY = (
    *("edt_s", "t20_s", "t30_s", "c50_db", "d50", "ts_s", "dynamic_range_db", "valid", "reason"),
    *("responses", "t20_spread_s", "scatter_s", "nonlinearity_permille", "curvature_percent"),
)
_DIFFERENCE = (
    *("name", "first", "second", "unit", "better", "sentence", "alike", "region"),
    *("beyond", "source", "status"),
)
_NOISE = {"level_dbfs": "noise_dbfs", "level_db": "noise_db"}


def render_room_csv(result: RoomResult) -> str:
    """Return one row per band, in order of frequency, with a header."""
    rows: dict[float, dict[str, Any]] = {}
    for band in result.bands:
        plain = band.to_dict()
        rows.setdefault(band.centre_hz, {}).update({name: plain[name] for name in _DECAY})
    for noise in result.noise.bands if result.noise else ():
        plain = noise.to_dict()
        rows.setdefault(noise.centre_hz, {}).update(
            {column: plain[name] for name, column in _NOISE.items()}
        )
    head = ("path", "excitation", "centre_hz", *_DECAY, *_NOISE.values())
    return render_rows(
        [
            {
                "path": result.path,
                "excitation": result.excitation,
                "centre_hz": centre,
                **rows[centre],
            }
            for centre in sorted(rows)
        ],
        head,
    )


def render_positions_csv(result: PositionsResult) -> str:
    """Return one row per difference."""
    return render_rows(
        [
            {**difference.to_dict(), "sentence": sentence(difference, result)}
            for difference in result.differences
        ],
        _DIFFERENCE,
    )
