"""Facts about a recording, one file per group of quantities; no limit and no verdict stands here.

Each module holds a docstring that teaches the quantity (what it is, method, source, units, limits
of validity), a frozen result class, and ``measure(recording) -> result``. The list of them, in
report order, is in `vocheck.measurements.every`. It is loaded when first asked for: a final mix
needs two measurements of the sixteen.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__all__ = ["MEASUREMENTS", "Measurements", "group_name", "measure"]

if TYPE_CHECKING:
    from vocheck.measurements.every import MEASUREMENTS, Measurements, group_name, measure


def __getattr__(name: str) -> Any:
    """Load a name of `every` on first use (PEP 562)."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from vocheck.measurements import every

    return getattr(every, name)
