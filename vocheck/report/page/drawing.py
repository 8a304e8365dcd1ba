"""Drawings of the pages: the data of SVG paths, and spectrograms as pictures."""

from __future__ import annotations

import base64
import io

import numpy as np
import numpy.typing as npt

from vocheck.dsp.runs import runs_of
from vocheck.takes.overview import Picture

WAVE_HEIGHT = 96
"""Height of a waveform in the units of its drawing; a column is one unit wide."""


def wave_path(picture: Picture, start: int = 0, end: int | None = None) -> str:
    """Return a waveform as the data of one SVG path: along its upper edge, back along the lower.

    Parameters
    ----------
    picture : Picture
    start, end : int
        The columns to draw; the scale is that of the whole take.
    """
    peak = max(float(np.abs(picture.low).max()), float(np.abs(picture.high).max()), 1e-6)
    middle = WAVE_HEIGHT / 2
    upper = np.rint(middle - picture.high[start:end] / peak * middle).astype(int)
    lower = np.rint(middle - picture.low[start:end] / peak * middle).astype(int)
    forth = " ".join(f"{x},{y}" for x, y in enumerate(upper.tolist()))
    back = " ".join(f"{x},{y + 1}" for x, y in reversed(list(enumerate(lower.tolist()))))
    return f"M{forth} L{back}Z"


def spectrum_address(picture: Picture) -> str:
    """Return a spectrogram as the ``data:`` address of a PNG in shades of one color."""
    from PIL import Image

    # 32 shades look the same as 256 here and pack into half the bytes.
    image = Image.fromarray(picture.spectrum // 8).convert("P")
    dark, light = np.array([20, 30, 38]), np.array([255, 226, 160])
    shades = np.linspace(0.0, 1.0, 32)[:, np.newaxis] ** 1.3
    image.putpalette((dark + shades * (light - dark)).astype(np.uint8).ravel().tolist())
    out = io.BytesIO()
    image.save(out, "PNG", optimize=True, bits=5)
    return "data:image/png;base64," + base64.b64encode(out.getvalue()).decode("ascii")


def columns(
    values: npt.NDArray[np.float64], count: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the place, the least and the greatest of values in at most `count` columns.

    Parameters
    ----------
    values : ndarray, shape (values,)
        NaN where there is none; a column of NaN alone is NaN.
    count : int

    Returns
    -------
    places, least, greatest : ndarray, shape (columns,)
        A place is an index into `values`: the middle of its column.
    """
    if not len(values):
        return values, values, values
    edges = np.linspace(0, len(values), min(count, len(values)) + 1).astype(np.intp)
    missing = np.isnan(values)
    least = np.minimum.reduceat(np.where(missing, np.inf, values), edges[:-1])
    greatest = np.maximum.reduceat(np.where(missing, -np.inf, values), edges[:-1])
    empty = least == np.inf
    least[empty] = greatest[empty] = np.nan
    return (edges[:-1] + edges[1:] - 1) / 2.0, least, greatest


def curve_path(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]) -> str:
    """Return a curve as the data of an SVG path, broken where a value is NaN."""
    return "".join(
        "M" + " ".join(f"{a:.0f},{b:.0f}" for a, b in zip(x[run], y[run], strict=True))
        for run in _runs(y)
    )


def band_path(
    x: npt.NDArray[np.float64], lower: npt.NDArray[np.float64], upper: npt.NDArray[np.float64]
) -> str:
    """Return the band between two curves as the data of an SVG path, broken where it is NaN."""
    parts = []
    for run in _runs(upper):
        forth = [f"{a:.0f},{b:.0f}" for a, b in zip(x[run], upper[run], strict=True)]
        back = [f"{a:.0f},{b + 1:.0f}" for a, b in zip(x[run], lower[run], strict=True)]
        parts.append(f"M{' '.join(forth)} L{' '.join(back[::-1])}Z")
    return "".join(parts)


def _runs(curve: npt.NDArray[np.float64]) -> list[slice]:
    """Return the stretches in which a curve is not NaN."""
    return [slice(start, end) for start, end in runs_of(~np.isnan(curve)).tolist()]
