"""Evaluate small fitted networks over sets from plain arrays.

They are fitted elsewhere (see ``tests/training/``); nothing here needs a learning library.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Self, TypeVar

import numpy as np
import numpy.typing as npt

MANY = 500  # members; the sets that networks are fitted on are seldom larger
MIDDLE_LOG_COUNT = 5.0  # of about 150 members: brings the input near 0

Values = npt.NDArray[np.float64]
F = TypeVar("F", bound=np.floating[Any])


@dataclass(frozen=True, eq=False)
class SetNetworks:
    """The mean of several networks that look at a set of any size.

    Every member of the set goes through two rectified layers, and through a third that also sees
    the mean of all members, so that each is judged beside the others. Several heads, each with its
    own softmax over the members, average what comes out ("attention"); these averages and the
    logarithm of the number of members go through two rectified layers more to the outputs. The
    order of the members does not matter. (Zaheer et al., Deep Sets, 2017; attention as pooling:
    Ilse et al., 2018.)

    All inputs are brought to zero mean and unit spread, held within 4 spreads, and 0 where they are
    NaN.

    Attributes
    ----------
    member_mean, member_spread : ndarray, shape (inputs of a member,)
    member_1, member_2, member_3, others, heads, joint_1, joint_2, out : ndarray
        Weights of the layers, in this order, each of shape (networks, from, to); `others` is what
        the third layer makes of the mean of all members.
    member_1_at, ... out_at : ndarray, each of shape (networks, to)
        What each layer adds; `others` and the heads need none.
    out_mean, out_spread : ndarray, shape (outputs,)
    """

    member_mean: Values
    member_spread: Values
    member_1: Values
    member_1_at: Values
    member_2: Values
    member_2_at: Values
    member_3: Values
    member_3_at: Values
    others: Values
    heads: Values
    joint_1: Values
    joint_1_at: Values
    joint_2: Values
    joint_2_at: Values
    out: Values
    out_at: Values
    out_mean: Values
    out_spread: Values

    def predict(self, members: Values) -> Values:
        """Return the outputs for one set.

        Parameters
        ----------
        members : ndarray, shape (members, inputs of a member)
            At least one member.

        Returns
        -------
        ndarray, shape (outputs,)
        """
        members = standardized(members, self.member_mean, self.member_spread)
        count = log_count(len(members))
        results = []
        for n in range(len(self.out)):
            hidden = np.maximum(members @ self.member_1[n] + self.member_1_at[n], 0.0)
            hidden = np.maximum(hidden @ self.member_2[n] + self.member_2_at[n], 0.0)
            others = hidden.mean(axis=0) @ self.others[n]
            hidden = np.maximum(hidden @ self.member_3[n] + others + self.member_3_at[n], 0.0)
            scores = hidden @ self.heads[n]
            weights = np.exp(scores - scores.max(axis=0))
            pooled = (weights / weights.sum(axis=0)).T @ hidden
            whole = np.append(pooled, count)
            joint = np.maximum(whole @ self.joint_1[n] + self.joint_1_at[n], 0.0)
            joint = np.maximum(joint @ self.joint_2[n] + self.joint_2_at[n], 0.0)
            results.append(joint @ self.out[n] + self.out_at[n])
        return np.asarray(np.mean(results, axis=0) * self.out_spread + self.out_mean)

    @classmethod
    def load(cls, arrays: Mapping[str, npt.NDArray[np.generic]], name: str) -> Self:
        """Read the networks stored under `name`."""
        return cls(
            **{f.name: np.asarray(arrays[f"{name}.{f.name}"], np.float64) for f in fields(cls)}
        )


def log_count(members: npt.ArrayLike) -> Values:
    """Bring numbers of members to the scale of the other inputs; more than `MANY` count as that."""
    return np.asarray(np.log(np.minimum(members, MANY)) - MIDDLE_LOG_COUNT)


def standardized(
    values: npt.NDArray[F], mean: npt.NDArray[F], spread: npt.NDArray[F]
) -> npt.NDArray[F]:
    """Bring inputs to zero mean and unit spread, within 4 spreads, and 0 where they are NaN."""
    scaled: npt.NDArray[F] = np.nan_to_num(np.clip((values - mean) / spread, -4.0, 4.0))
    return scaled
