"""Frames and blocks of a signal, and the window that frames are weighted with."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

__all__ = ["blocked", "framed", "hann"]

_Scalar = TypeVar("_Scalar", bound=np.generic)


def framed(x: npt.NDArray[_Scalar], size: int, hop: int = 1) -> npt.NDArray[_Scalar]:
    """Return the frames of `x` that overlap: one starts every `hop` samples.

    Parameters
    ----------
    x : ndarray, shape (samples,) or (samples, columns)
    size, hop : int
        Length of a frame, and distance between the starts of two.

    Returns
    -------
    ndarray, shape (frames, size) or (frames, columns, size)
        A read-only view. A frame that `x` does not fill is left out.
    """
    if len(x) < size:
        return np.zeros((0, *x.shape[1:], size), x.dtype)
    return np.lib.stride_tricks.sliding_window_view(x, size, axis=0)[::hop]


def blocked(x: npt.NDArray[_Scalar], size: int) -> npt.NDArray[_Scalar]:
    """Return `x`, shape (samples,), cut into blocks that do not overlap, shape (blocks, size).

    A block that `x` does not fill is left out.
    """
    return x[: len(x) // size * size].reshape(-1, size)


def hann(size: int, dtype: type[np.floating[Any]] = np.float64) -> npt.NDArray[Any]:
    """Return a periodic Hann window, shape (size,): half-overlapping ones add up to 1."""
    return np.hanning(size + 1)[:-1].astype(dtype)
