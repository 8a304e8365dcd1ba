"""The sheet of a package: a cover to be signed, then the sheet of each mix, as one PDF."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from itertools import chain
from typing import TYPE_CHECKING

from vocheck.mix.package import Item, Package
from vocheck.plain import shown_plainly
from vocheck.report.paper import COLORS, SOFT, pdf_of
from vocheck.report.sheet_mix import SheetHead, Words, pages_of, sheet_pages
from vocheck.wording.delivery import check_source, check_words
from vocheck.wording.package import CONTRACT, against, measured, sentence
from vocheck.wording.vocabulary import file_name

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@shown_plainly
def render_package_pdf(package: Package) -> bytes:
    """Return a package as a PDF: what it holds with check sums, whose numbers, and each mix."""
    made = datetime.fromisoformat(package.made)
    mixes = [item for item in package.items if item.kind == "mix"]
    sheets = (
        pages_of(
            item.result, SheetHead(checked=made, sha256={item.result.path: item.sha256_source})
        )
        for item in mixes
    )
    return pdf_of(
        chain(_cover(package, made), chain.from_iterable(sheets)),
        title=f"Delivery: {package.title}",
        creator=f"vocheck {package.version}",
        made=made,
    )


def _cover(package: Package, made: datetime) -> list[Figure]:
    return sheet_pages(
        list(_body(package, made)), f"Delivery: {package.title}, continued", foot=CONTRACT
    )


def _body(package: Package, made: datetime) -> Iterator[Words]:
    yield Words("Delivery", 10, SOFT)
    yield Words(package.title, 16, weight="bold", space=0.004)
    yield Words(sentence(package), 10, space=0.004)
    when = f"{made:%Y-%m-%d %H:%M %Z}".rstrip()
    yield Words(f"checked {when} by vocheck {package.version}", 8, SOFT, space=0.004)
    yield Words(package.verdict.upper(), 20, COLORS[package.verdict], "bold", space=0.012)
    yield Words("Against whose numbers", 10, weight="bold", space=0.012)
    for destination in package.destinations:
        yield Words(f"{destination.name}: {against(destination)}", indent=0.02, space=0.002)
    yield Words("Files", 10, weight="bold", space=0.012)
    for item in package.items:
        yield from _item(item)


def _item(item: Item) -> Iterator[Words]:
    if item.kind == "mix":
        head = f"{item.result.verdict.upper()}   {item.path}"
        yield Words(head, 9, COLORS[item.result.verdict], "bold", space=0.008)
    else:
        yield Words(f"{item.version} stem   {item.path}", 9, weight="bold", space=0.008)
    yield Words(f"from {file_name(item.source)}: {measured(item)}", indent=0.02)
    checks = [check for d in item.result.destinations for check in d.checks]
    for check in (*item.result.checks, *checks):
        if check.verdict in ("fail", "warn", "cannot tell"):
            words = f"{check.verdict}: {check_words(check)} ({check_source(check)})"
            yield Words(words, color=COLORS[check.verdict], indent=0.02)
    samples = "its samples as in the source, its loudness in the header" if item.stamped else ""
    yield Words(f"SHA-256 {item.sha256}", 7, SOFT, indent=0.02)
    if samples:
        yield Words(f"{samples}; source SHA-256 {item.sha256_source}", 7, SOFT, indent=0.02)
