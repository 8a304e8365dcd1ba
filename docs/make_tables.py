"""Make the tables of the documentation that follow from the modules that measure.

``python docs/make_tables.py`` writes the list of groups into ``index.md`` and the lists of fields
and numbers into ``results.md``. A test compares both with what it would write.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, get_args, get_origin, get_type_hints

from vocheck.measurements import MEASUREMENTS, Measurements, group_name
from vocheck.results import Row

HERE = Path(__file__).parent


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a Markdown table."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join(f"| {' | '.join(cells)} |" for cells in lines)


def groups() -> str:
    """Return one row per group: its page, and what the head of its module says that it tells."""
    rows = []
    for module in MEASUREMENTS:
        name = group_name(module)
        head = (module.__doc__ or "").split("\n", 1)[0]
        tells = head.partition(": ")[2].rstrip(".")
        rows.append((name.replace("_", " "), f"[{name}](measurements/{name}.md)", tells))
    return table(("group", "page", "tells"), rows)


def schema() -> str:
    """Return one row per group with all its fields."""
    rows = []
    for group, module in zip(fields(Measurements), MEASUREMENTS, strict=True):
        hints = get_type_hints(getattr(module, str(group.type)))
        names = [f"{name}{_inside(hints[name])}" for name in hints if name != "not_measured"]
        rows.append((group.name, ", ".join(names)))
    return table(("group", "fields"), rows)


def _inside(hint: Any) -> str:
    """Return the fields of what a list holds, in brackets; nothing for any other hint."""
    for kind in (hint, *get_args(hint)):
        held = get_args(kind)[0] if get_origin(kind) is tuple else None
        if isinstance(held, type) and is_dataclass(held):
            return f" [{{{', '.join(f.name for f in fields(held))}}}]"
    return ""


def numbers() -> str:
    """Return one row per number that people read: its name, label and unit."""
    rows = []
    for module in MEASUREMENTS:
        declared: tuple[Row, ...] = module.ROWS
        for row in declared:
            shown = "yes" if row.shown else ""
            rows.append((f"{group_name(module)}.{row.field}", row.label, row.unit, shown))
    return table(("name", "number", "unit", "in `vocheck take`"), rows)


TABLES = {
    "index.md": (("groups", groups),),
    "results.md": (("schema", schema), ("numbers", numbers)),
}
"""Page by page the tables, each between ``<!-- name -->`` and ``<!-- end of name -->``."""


def filled(page: str) -> str:
    """Return the text of a page with its tables made anew."""
    text = (HERE / page).read_text(encoding="utf-8")
    for name, make in TABLES[page]:
        start, end = f"<!-- {name} -->", f"<!-- end of {name} -->"
        if text.count(start) != 1 or text.count(end) != 1:
            raise ValueError(f"{page} does not have one place for the table {name}")
        before, after = text.partition(start)[0], text.partition(end)[2]
        text = f"{before}{start}\n{make()}\n{end}{after}"
    return text


def main() -> None:
    """Write the tables into their pages."""
    for page in TABLES:
        (HERE / page).write_text(filled(page), encoding="utf-8")


if __name__ == "__main__":
    main()
