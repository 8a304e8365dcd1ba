"""A survey as Parquet: one row per recording, one column per fact; needs the extra ``survey``.

The columns are those of the CSV of takes, typed: a number that was not measured is null, a list
(events, bands) becomes how many it holds. The findings are a list of names.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import fields
from itertools import islice
from pathlib import Path
from typing import Any

from vocheck.errors import VocheckError
from vocheck.measurements.every import MEASUREMENTS, Measurements, group_name
from vocheck.policy.facts import type_of
from vocheck.recording import Source
from vocheck.report.csv import flatten

NEEDS_EXTRA = 'for --parquet: pip install "vocheck[survey]"'
ROWS_AT_ONCE = 5000
"""Rows of a row group: some 10 MB in memory."""

_HEAD = {"path": str, "line": str, "take": int, "verdict": str, "error": str, "sha256": str}
_TAIL = {"size_bytes": int, "modified_ns": int, "measured_by": str, "judged_by": str}


def write_parquet(lines: Iterable[Mapping[str, Any]], path: Path) -> None:
    """Write the lines of a survey as Parquet.

    Parameters
    ----------
    lines : iterable of mapping
        As `vocheck.survey.summary.read_survey` yields them.
    path : Path
        Written to directly.

    Raises
    ------
    VocheckError
        If pyarrow is not installed.
    """
    pyarrow, parquet = load_pyarrow()
    schema = _schema(pyarrow)
    rows = map(_row, lines)
    with parquet.ParquetWriter(path, schema, compression="zstd") as writer:
        while group := list(islice(rows, ROWS_AT_ONCE)):
            writer.write_table(pyarrow.Table.from_pylist(group, schema=schema))


def load_pyarrow() -> tuple[Any, Any]:
    """Return ``pyarrow`` and ``pyarrow.parquet``.

    Raises
    ------
    VocheckError
        If it is not installed.
    """
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        raise VocheckError(NEEDS_EXTRA) from None
    return pyarrow, parquet


def _schema(pyarrow: Any) -> Any:
    types = {
        bool: pyarrow.bool_(),
        int: pyarrow.int64(),
        float: pyarrow.float64(),
        str: pyarrow.string(),
    }
    columns: dict[str, Any] = {name: types[kind] for name, kind in _HEAD.items()}
    columns["findings"] = pyarrow.list_(pyarrow.string())
    for field in fields(Source):
        if field.name not in ("path", "missing_s"):
            columns[f"source.{field.name}"] = types[type_of(Source, field.name).kind]
    hints = {field.name: field for field in fields(Measurements)}
    for group in map(group_name, MEASUREMENTS):
        for name in _facts_of(hints[group].name):
            columns[name] = types[type_of(Measurements, name).kind]
    columns |= {f"survey.{name}": types[kind] for name, kind in _TAIL.items()}
    return pyarrow.schema(list(columns.items()))


def _facts_of(group: str) -> list[str]:
    module = next(one for one in MEASUREMENTS if group_name(one) == group)
    kind = module.measure.__annotations__["return"]
    kind = getattr(module, kind) if isinstance(kind, str) else kind
    return [f"{group}.{field.name}" for field in fields(kind) if field.name != "not_measured"]


def _row(line: Mapping[str, Any]) -> dict[str, Any]:
    row = {name: line.get(name) for name in _HEAD}
    row["findings"] = [f"{f['severity']}: {f['name']}" for f in line.get("findings", ())]
    return {
        **row,
        **flatten(line.get("source", {}), "source."),
        **flatten(line.get("measurements", {})),
        **flatten(line["survey"], "survey."),
    }
