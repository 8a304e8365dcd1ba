"""What every result is: a frozen dataclass that turns into plain JSON-ready data.

Conventions, the same for Python, JSON, JSON Lines and CSV:

- a unit lives in the field's name (``integrated_lufs``, ``start_s``);
- what could not be measured is ``None``, and ``not_measured`` says why;
- silence is ``-inf`` in Python, and ``None`` with the reason ``"silence"`` in plain data;
- there is never a NaN.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

SCHEMA = 1
"""Version of the result names. Keys may be added; a name never changes its meaning."""

SILENCE = "silence"
"""The reason given where a level is that of digital silence."""


def to_plain(value: Any) -> Any:
    """Turn a result into dicts, lists, strings, numbers and ``None``.

    Parameters
    ----------
    value
        A result, or anything a result may hold.

    Returns
    -------
    plain
        The same data, ready for ``json.dumps(..., allow_nan=False)``; silence is ``None``.

    Raises
    ------
    ValueError
        If a NaN or ``+inf`` stands anywhere in the result: that is a fault of the measurement.
    """
    if isinstance(value, Result):
        return value.to_dict()
    if isinstance(value, Mapping):
        return {str(key): to_plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [to_plain(item) for item in value]
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return value
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        if value == -math.inf:
            return None
        if not math.isfinite(value):
            raise ValueError(f"a result may not hold {value!r}")
        return float(value)
    raise TypeError(f"a result may not hold a {type(value).__name__}: {value!r}")


@dataclass(frozen=True)
class Result:
    """Base of every result."""

    def to_dict(self) -> dict[str, Any]:
        """Return the result as plain data, field by field, under exactly the field names."""
        return {f.name: to_plain(getattr(self, f.name)) for f in fields(self)}


@dataclass(frozen=True, kw_only=True)
class Group(Result):
    """Base of one group of measurements (loudness, noise, ...).

    Attributes
    ----------
    not_measured : mapping of str to str
        For each field that is ``None`` because it could not be measured: the field's name and the
        reason in words, e.g. ``{"range_lu": "shorter than 60 s"}``.
    """

    not_measured: Mapping[str, str] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return the facts as plain data; the reasons are collected by the take (see `reasons`)."""
        plain = super().to_dict()
        del plain["not_measured"]
        return plain

    def reasons(self) -> dict[str, str]:
        """Return the field names that carry no number, each with its reason (silence included)."""
        silent = {f.name: SILENCE for f in fields(self) if _is_silence(getattr(self, f.name))}
        return {**silent, **self.not_measured}


@dataclass(frozen=True)
class Row:
    """How one fact of a group is shown to people.

    Each module of measurements lists its own in ``ROWS``.

    Attributes
    ----------
    field : str
        Name of the field in the group.
    label : str
        What the number is called.
    unit : str
        Empty for a plain number.
    digits : int
        Decimals shown.
    shown : bool
        Whether the table of ``vocheck take`` holds it.
    beside : str
        Text in brackets after the number, with fields of the group in braces
        (``"{rt60_low_s:.2f} to {rt60_high_s:.2f}"``). Left out where one of them is ``None``.
    """

    field: str
    label: str
    unit: str
    digits: int = 1
    shown: bool = False
    beside: str = ""


def _is_silence(value: object) -> bool:
    return isinstance(value, float) and value == -math.inf
