"""Try the changes and tell which ones no test noticed."""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import shutil
import sys
import tempfile
import zlib
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tests.mutation.changes import Change, changed, changes
from tests.mutation.targets import TARGETS

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "mutation.md"
LIMIT_S = 300
"""A change after which the tests do not end is noticed: somebody would."""


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
    parser.add_argument("--workers", type=int, default=os.cpu_count())
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
    file = Path("vocheck", f"{module}.py")
    every = changes((ROOT / file).read_text(encoding="utf-8"))
    rng = random.Random(seed + zlib.crc32(module.encode()))
    drawn = sorted(rng.sample(every, min(count, len(every))), key=lambda change: change.line)
    with tempfile.TemporaryDirectory(prefix="mutation-") as folder:
        copies = [_copy(Path(folder, str(number))) for number in range(workers)]
        if not _passes(copies[0], TARGETS[module]):
            sys.exit(f"{module}: its tests fail as it stands")
        free = list(copies)

        def noticed(change: Change) -> bool:
            here = free.pop()
            try:
                original = (here / file).read_text(encoding="utf-8")
                (here / file).write_text(changed(original, change), encoding="utf-8")
                passes = _passes(here, TARGETS[module])
                (here / file).write_text(original, encoding="utf-8")
            finally:
                free.append(here)
            return not passes

        with ThreadPoolExecutor(workers) as pool:
            found = list(pool.map(noticed, drawn))
    missed = tuple(change for change, seen in zip(drawn, found, strict=True) if not seen)
    return Tried(module, len(drawn), missed)


def _copy(folder: Path) -> Path:
    """Copy what the tests need, so that the working tree is never touched."""
    for name in ("vocheck", "tests", "fixtures", "docs"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md", "CHANGELOG.md"):
        shutil.copy(ROOT / name, folder)
    return folder


def _passes(folder: Path, tests: Sequence[str]) -> bool:
    """Run tests in a process that is forked off, which saves it the heavy imports."""
    process = multiprocessing.get_context("fork").Process(target=_run, args=(folder, tests))
    process.start()
    process.join(LIMIT_S)
    if process.is_alive():
        process.kill()
        process.join()
    return process.exitcode == 0


def _run(folder: Path, tests: Sequence[str]) -> None:
    import pytest

    os.chdir(folder)
    for name in [name for name in sys.modules if name.partition(".")[0] in ("vocheck", "tests")]:
        del sys.modules[name]
    sys.path[:] = [str(folder), *(path for path in sys.path if Path(path or ".") != ROOT)]
    sys.dont_write_bytecode = True
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    arguments = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", *tests]
    os._exit(int(pytest.main(arguments)))


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
