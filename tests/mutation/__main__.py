"""Try the changes and tell which ones no test noticed."""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import zlib
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tests.mutation.changes import Change, changes
from tests.mutation.runner import ROOT, try_changes
from tests.mutation.targets import EQUIVALENT, TARGETS

PAGE = ROOT / "docs" / "mutation.md"


@dataclass(frozen=True)
class Tried:
    """The changes of one module that were tried, and those that no test noticed."""

    module: str
    count: int
    missed: tuple[Change, ...]


def main() -> None:
    """Try changes of the modules that are named, or of all."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("modules", nargs="*", metavar="MODULE", help="e.g. policy/judge")
    parser.add_argument("--count", type=int, default=40, help="changes tried of each module")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--write", action="store_true", help="write docs/mutation.md")
    options = parser.parse_args()
    unknown = set(options.modules) - set(TARGETS)
    if unknown:
        parser.error(f"no such module: {', '.join(sorted(unknown))}; known: {', '.join(TARGETS)}")
    results = []
    for module in options.modules or TARGETS:
        result = try_module(module, options.count, options.seed, options.workers)
        results.append(result)
        print(_row(result), flush=True)
        for change in result.missed:
            print(f"    line {change.line}: {change.what}", flush=True)
    if options.write:
        PAGE.write_text(page(results, options.count, options.seed), encoding="utf-8")


def try_module(module: str, count: int, seed: int, workers: int) -> Tried:
    """Draw changes of a module and run its tests on each."""
    source = (ROOT / "vocheck" / f"{module}.py").read_text(encoding="utf-8")
    known = EQUIVALENT.get(module, {})
    lines = source.splitlines()
    every = [
        change
        for change in changes(source)
        if (lines[change.line - 1].strip(), change.what) not in known
    ]
    rng = random.Random(seed + zlib.crc32(module.encode()))
    drawn = sorted(rng.sample(every, min(count, len(every))), key=lambda change: change.line)
    shares = [drawn[first::workers] for first in range(workers)]
    with tempfile.TemporaryDirectory(prefix="mutation-") as folder:
        with ThreadPoolExecutor(workers) as pool:
            found = list(
                pool.map(
                    lambda number: try_changes(
                        Path(folder, str(number)), module, TARGETS[module], shares[number]
                    ),
                    range(workers),
                )
            )
    missed = []
    for share, noticed in zip(shares, found, strict=True):
        if noticed is None:
            sys.exit(f"{module}: its tests fail as it stands")
        missed += [change for change, seen in zip(share, noticed, strict=True) if not seen]
    return Tried(module, len(drawn), tuple(sorted(missed, key=lambda change: change.line)))


def _row(result: Tried) -> str:
    seen = result.count - len(result.missed)
    return f"| {result.module} | {result.count} | {seen} | {seen / result.count:.0%} |"


def page(results: Sequence[Tried], count: int, seed: int) -> str:
    """Return the page of the documentation."""
    tried = sum(result.count for result in results)
    seen = tried - sum(len(result.missed) for result in results)
    lines = [
        "# Do the tests notice?",
        "",
        "Written by `python -m tests.mutation --write`.",
        "",
        "Small changes are made to a module, one at a time: an operator, a number, a condition, a",
        "result. Its tests (`tests/mutation/targets.py`) are run on each. A change that no test",
        f"notices is missed. {count} changes of each module, drawn with seed {seed}.",
        "",
        "| module | changes | noticed | share |",
        "|---|---|---|---|",
        *map(_row, results),
        f"| **all** | {tried} | {seen} | **{seen / tried:.0%}** |",
        "",
        "Missed:",
        "",
        *(
            f"- `{result.module}`, line {change.line}: {change.what}"
            for result in results
            for change in result.missed
        ),
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    for heavy in ("numpy", "scipy.signal", "soundfile", "pytest", "msgspec"):
        __import__(heavy)
    main()
