"""FFmpeg's frames as arrays, and arrays as its frames.

Two things that PyAV (18) does with the memory of FFmpeg end a process, and are kept away from here:

* It looks for the end of a frame's list of planes by a zero. FFmpeg promises none: behind 8 planes
  the next thing in memory counts as a ninth one, behind more there may be any number. So no more
  planes are taken than the layout has channels, and where FFmpeg keeps the list outside the frame
  the samples are interleaved first, which leaves one plane.
* A layout whose channels stand in an order of their own has a list of them in memory. PyAV's
  copy of a layout shares that list with its owner, and both of them free it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

_PLANES_IN_FRAME = 8
"""AV_NUM_DATA_POINTERS of FFmpeg's frame.h."""

_DTYPES = {"u8": "u1", "s16": "i2", "s32": "i4", "flt": "f4", "dbl": "f8"}
"""FFmpeg's sample formats, interleaved; the same names with a ``p`` are those in planes."""


def to_array(frame: Any) -> npt.NDArray[Any]:
    """Return the samples of an ``av.AudioFrame``, shape (frames, channels), in its own numbers.

    Raises
    ------
    ValueError
        If the samples are of a kind that no array of this package holds (64-bit integers).
    """
    name, channels = frame.format.name, frame.layout.nb_channels
    kind = _DTYPES.get(name.removesuffix("p"))
    if kind is None:
        raise ValueError(f"samples of the format {name} are not read")
    if not frame.format.is_planar:
        packed = np.frombuffer(frame.planes[0], kind, frame.samples * channels)
        return packed.reshape(-1, channels)
    if channels > _PLANES_IN_FRAME:
        return to_array(_interleaved(frame))
    planes = frame.planes[:channels]
    return np.stack([np.frombuffer(plane, kind, frame.samples) for plane in planes]).T


def _interleaved(frame: Any) -> Any:
    """Return a frame in planes as one plane; nothing else about it changes."""
    import av

    (whole,) = av.AudioResampler(format=frame.format.packed).resample(frame)
    return whole


def from_array(samples: npt.NDArray[Any], layout: str) -> Any:
    """Return an ``av.AudioFrame`` of 32-bit floats.

    Parameters
    ----------
    samples : ndarray of float, shape (frames, channels)
    layout : str
        FFmpeg's name of the channels, e.g. ``"stereo"``.
    """
    import av

    packed = np.ascontiguousarray(samples, dtype=np.float32).reshape(1, -1)
    return av.AudioFrame.from_ndarray(packed, format="flt", layout=layout)


def take_speakers(context: Any) -> tuple[str, ...]:
    """Return FFmpeg's name of each channel of a decoder that is not open yet.

    To be called once, before anything else asks the decoder for its channels: an order of their own
    is taken away from it, and its frames then tell no more than their number.
    """
    layout = context.layout
    names = tuple(channel.name for channel in layout.channels)
    if _has_own_order(layout):
        context.layout = f"{len(names)} channels"
    return names


def guard(frames: Iterable[Any]) -> None:
    """Keep the layouts of frames from freeing what the frames free themselves.

    Some decoders set an order of their own. The layout is left in memory then (some 100 bytes).
    """
    for frame in frames:
        if _has_own_order(frame.layout):
            import ctypes

            ctypes.pythonapi.Py_IncRef(ctypes.py_object(frame.layout))


def _has_own_order(layout: Any) -> bool:
    # FFmpeg writes "8 channels (FL+FR+...)" of those, "7.1(wide)" or "8 channels" of the others.
    return " channels (" in layout.name
