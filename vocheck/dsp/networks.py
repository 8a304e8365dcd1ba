"""Small networks that tell two classes apart, applied with numpy alone.

Method: each input is held within the range of the training set, a missing one is set to its
median, and all are standardized. Several networks of one hidden layer (rectified linear units) each
give the logarithm of the odds; their mean is the score. Means of networks that started differently
vary less than each of them (L. Hansen and P. Salamon, "Neural network ensembles", IEEE Transactions
on Pattern Analysis and Machine Intelligence 12, 1990).
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Networks:
    """Networks that score one vector of inputs.

    Attributes
    ----------
    names : tuple of str
        Of the inputs, in order.
    low, high, middle : ndarray, shape (inputs,)
        Range of the training set, and its median.
    mean, scale : ndarray, shape (inputs,)
        For standardizing.
    hidden, hidden_at : ndarray, shapes (networks, units, inputs) and (networks, units)
    out, out_at : ndarray, shapes (networks, units) and (networks,)
    """

    names: tuple[str, ...]
    low: Values
    high: Values
    middle: Values
    mean: Values
    scale: Values
    hidden: Values
    hidden_at: Values
    out: Values
    out_at: Values

    def log_odds(self, inputs: dict[str, float]) -> float:
        """Return the natural logarithm of the odds of the first class.

        Parameters
        ----------
        inputs : dict of str to float
            NaN where an input could not be computed; others than `names` are not looked at.

        Raises
        ------
        KeyError
            If one of `names` is missing.
        """
        x = np.array([inputs[name] for name in self.names])
        x = np.clip(np.where(np.isfinite(x), x, self.middle), self.low, self.high)
        units = np.maximum(self.hidden @ ((x - self.mean) / self.scale) + self.hidden_at, 0.0)
        return float(np.mean(np.sum(self.out * units, axis=1) + self.out_at))


def load_networks(package: str, file: str) -> Networks:
    """Return the networks stored in `file`, an ``.npz`` that lies beside the code of `package`."""
    with files(package).joinpath(file).open("rb") as stream, np.load(stream) as data:
        names = tuple(str(name) for name in data["names"])
        arrays = {name: data[name].astype(np.float64) for name in data.files if name != "names"}
    return Networks(names=names, **arrays)


def probability(log_odds: float) -> float:
    """Return the probability that belongs to the logarithm of the odds."""
    return float(1.0 / (1.0 + np.exp(-np.clip(log_odds, -30.0, 30.0))))
