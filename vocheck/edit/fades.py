"""A crossfade that keeps the power, whether the two sounds are alike or not.

Sine and cosine keep the power of two sounds that have nothing in common. Of two that are alike they
would make more, by 3 dB of two that are one: so what comes out is brought down by as much as both
have in common [1]_. Of two copies of one sound, that sound comes out.

References
----------
.. [1] M. Fink, M. Holters, U. Zölzer, Signal-matched power-complementary cross-fading and dry-wet
   mixing, DAFx-16, 2016, from memory.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def crossfade(
    out: npt.NDArray[np.floating], into: npt.NDArray[np.floating]
) -> npt.NDArray[np.float64]:
    """Return the change from one sound to another.

    Parameters
    ----------
    out, into : ndarray of float, shape (samples,)
        Equally long: the sound that is left, and the one that is entered.
    """
    count = len(out)
    first, second = np.asarray(out, np.float64), np.asarray(into, np.float64)
    if not count:
        return first
    angle = (np.arange(count) + 0.5) / count * (np.pi / 2)
    down, up = np.cos(angle), np.sin(angle)
    power = np.square(down) * np.vdot(first, first) + np.square(up) * np.vdot(second, second)
    # Sounds of opposite sign are not made louder: between them is hardly anything to be made of.
    common = 2.0 * down * up * max(0.0, float(np.vdot(first, second)))
    whole = power + common
    keep = np.sqrt(np.divide(power, whole, out=np.ones(count), where=whole > 0.0))
    mixed: npt.NDArray[np.float64] = keep * (down * first + up * second)
    return mixed
