"""What the reverberation networks look at in each decay."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from vocheck.voice.speech_decays import EDGES_HZ, HOP_S, Decays

_BANDS = np.arange(len(EDGES_HZ) - 1)  # by number
_DEEPEST_DB = -60.0  # a fall is followed no deeper: hardly a take has more above its noise


def features(decays: Decays) -> npt.NDArray[np.float64]:
    """Describe every decay by itself.

    Parameters
    ----------
    decays : Decays

    Returns
    -------
    values : ndarray, shape (decays, 54)
        Its band (one column each, 0 or 1), its levels and its history, the logarithms of its
        duration and of the 60 dB times, NaN where it does not reach that deep, whether it does, and
        how it fell along the time.
    """
    with np.errstate(invalid="ignore"):
        log_times = np.log(np.maximum(decays.time_60_db_s, HOP_S))
    return np.column_stack(
        (
            decays.band[:, np.newaxis] == _BANDS,
            decays.over_noise_db,
            decays.under_loud_db,
            decays.depth_db,
            np.log(np.maximum(decays.duration_s, HOP_S)),
            decays.to_noise,
            decays.before_db,
            decays.all_bands_db,
            log_times,
            np.isfinite(decays.time_60_db_s),
            np.maximum(decays.fall_db, _DEEPEST_DB),
        )
    )
