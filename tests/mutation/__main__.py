"""Try the changes and tell which ones no test noticed."""

from __future__ import annotations

import argparse
import random
import re
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
    parser.add_argument("--count", type=int, default=25, help="changes tried of each module")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--write", action="store_true", help="write docs/mutation.md")
    options = parser.parse_args()
    unknown = set(options.modules) - set(TARGETS)
    if unknown:
        parser.error(f"no such module: {', '.join(sorted(unknown))}; known: {', '.join(TARGETS)}")
    failed = False
    for module in options.modules or TARGETS:
        try:
            result = try_module(module, options.count, options.seed, options.workers)
        except UntriedError as error:
            print(error, flush=True)
            failed = True
            continue
        print(_row(result), flush=True)
        for change in result.missed:
            print(f"    line {change.line}: {change.what}", flush=True)
        if options.write:
            _write(result, options.count, options.seed)
    sys.exit(failed)


class UntriedError(Exception):
    """The tests of a module fail without any change."""


def _write(result: Tried, count: int, seed: int) -> None:
    old = PAGE.read_text(encoding="utf-8") if PAGE.exists() else ""
    PAGE.write_text(page([result], old, count, seed), encoding="utf-8")


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
            raise UntriedError(f"{module}: its tests fail as it stands")
        missed += [change for change, seen in zip(share, noticed, strict=True) if not seen]
    return Tried(module, len(drawn), tuple(sorted(missed, key=lambda change: change.line)))


def _row(result: Tried) -> str:
    seen = result.count - len(result.missed)
    return f"| {result.module} | {result.count} | {seen} | {seen / result.count:.0%} |"


def _missed(result: Tried) -> list[str]:
    return [f"- `{result.module}`, line {one.line}: {one.what}" for one in result.missed]


_KEPT = re.compile(r"\| (\S+) \| (\d+) \| (\d+) \| \d+% \|")


def page(results: Sequence[Tried], old: str, count: int, seed: int) -> str:
    """Return the page of the documentation; what was not tried now stays as the old page has it."""
    rows = {found[1]: found[0] for found in _KEPT.finditer(old) if found[1] in TARGETS}
    rows |= {result.module: _row(result) for result in results}
    missed = {module: [] for module in rows}
    for line in old.splitlines():
        module = line.removeprefix("- `").partition("`")[0]
        if line.startswith("- `") and ", line " in line and module in rows:
            missed[module].append(line)
    missed |= {result.module: _missed(result) for result in results}
    modules = [module for module in TARGETS if module in rows]
    numbers = [_KEPT.fullmatch(rows[module]) for module in modules]
    tried, seen = (sum(int(one[n]) for one in numbers if one) for n in (2, 3))
    equivalent = [
        f"- `{module}`: `{line}`, {what}: {why}."
        for module, known in EQUIVALENT.items()
        for (line, what), why in known.items()
    ]
    lines = [
        "# Do the tests notice?",
        "",
        "Written by `python -m tests.mutation --write`; with names of modules it writes only their"
        " rows anew.",
        "",
        "Small changes are made to a module, one at a time: an operator, a number, a condition, a"
        " result. Its tests (`tests/mutation/targets.py`) are run on each. A change that no test"
        f" notices is missed. Up to {count} changes of each module, drawn with seed {seed}: a"
        " sample, not all. Only the narrow tests of a module are run, so other tests may notice"
        " what is missed here.",
        "",
        "| module | changes | noticed | share |",
        "|---|---|---|---|",
        *(rows[module] for module in modules),
        f"| **all** | {tried} | {seen} | **{seen / max(1, tried):.0%}** |",
        "",
        "Missed, by the line of the module as it was then:",
        "",
        *(line for module in modules for line in missed[module]),
        "",
        "Never drawn, because nobody could notice them:",
        "",
        *equivalent,
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    for heavy in ("numpy", "scipy.signal", "soundfile", "pytest", "msgspec"):
        __import__(heavy)
    main()
