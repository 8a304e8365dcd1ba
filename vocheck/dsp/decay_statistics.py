"""What the reverberation networks look at: each decay of a take, and a summary of them all."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from vocheck.dsp.speech_decays import EDGES_HZ, HOP_S, Decays

_ALL = tuple(range(len(EDGES_HZ) - 1))
_FEW, _MANY = (0.1, 0.2, 0.5), (0.05, 0.1, 0.2, 0.35, 0.5, 0.7)
_GROUPS: tuple[tuple[tuple[int, ...], tuple[float, ...]], ...] = (
    ((0, 1), _FEW),
    ((1, 2, 3), _FEW),
    ((3, 4), _FEW),
    ((4, 5), _FEW),
    ((5, 6, 7), _FEW),
    ((1, 2, 3, 4, 5), _MANY),
    (_ALL, _MANY),
)
_MIN_COUNT = 4  # decays, for a quantile of them
# Slope late in a decay against slope early in the same decay (indices of WINDOWS_DB): a knee tells
# how far the room lies below the voice.
_KNEES = ((4, 0), (5, 1), (6, 3), (7, 4))

_LONGEST_S = 20.0  # more audio than this counts as this much: quantiles change no more


def of_each_decay(decays: Decays) -> npt.NDArray[np.float64]:
    """Describe every decay by itself.

    Parameters
    ----------
    decays : Decays

    Returns
    -------
    values : ndarray, shape (decays, 36)
        Its band (one column each, 0 or 1), its levels and its history, the logarithms of its
        duration and of the 60 dB times, NaN where it does not reach that deep, and whether it does.
    """
    return np.column_stack(
        (
            decays.band[:, np.newaxis] == _ALL,
            decays.over_noise_db,
            decays.under_loud_db,
            decays.depth_db,
            np.log(np.maximum(decays.duration_s, HOP_S)),
            decays.to_noise,
            decays.before_db,
            decays.all_bands_db,
            _log_times(decays),
            np.isfinite(decays.time_60_db_s),
        )
    )


def of_all_decays(decays: Decays) -> npt.NDArray[np.float64]:
    """Summarise the decays of one take, or of several takes joined.

    Parameters
    ----------
    decays : Decays

    Returns
    -------
    summary : ndarray, shape (270,)
        Logarithms of quantiles of the 60 dB times in each group of bands and window of depth, NaN
        where fewer than 4 decays reach that deep; the share of the decays that reach each window;
        quantiles of the ratio between late and early slope; the SNR in each band; the logarithms of
        the number of decays and of the length, both as of 20 s where there is more.
    """
    times = _log_times(decays)
    rows: list[npt.NDArray[np.float64]] = []
    for bands, quantiles in _GROUPS:
        chosen = times[np.isin(decays.band, bands)]
        rows.extend(_quantiles(column, quantiles) for column in chosen.T)
    count = len(decays)
    rows.append(np.isfinite(times).sum(axis=0) / max(count, 1))
    rows.extend(_quantiles(times[:, late] - times[:, early], (0.25, 0.5)) for late, early in _KNEES)
    rows.append(decays.snr_db)
    share = min(1.0, _LONGEST_S / max(decays.length_s, 0.1))
    rows.append(np.log10([count * share + 1.0, max(decays.length_s * share, 0.1)]))
    return np.concatenate(rows)


def _log_times(decays: Decays) -> npt.NDArray[np.float64]:
    with np.errstate(invalid="ignore"):
        return np.asarray(np.log(np.maximum(decays.time_60_db_s, HOP_S)))


def _quantiles(
    values: npt.NDArray[np.float64], quantiles: tuple[float, ...]
) -> npt.NDArray[np.float64]:
    """Return quantiles of the finite values, NaN where there are too few."""
    known = np.sort(values[np.isfinite(values)])
    if len(known) < _MIN_COUNT:
        return np.full(len(quantiles), np.nan)
    at = np.multiply(quantiles, len(known) - 1)
    return np.interp(at, np.arange(len(known)), known)
