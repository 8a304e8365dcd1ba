"""Ever new damaged files for as long as you like: ``python -m tests.hostile --minutes 60``.

Prints the number of each case that fails; put it into `tests.hostile.test_mutants.FOUND` with the
mending. `--first` goes on where a run stopped.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from concurrent.futures import ThreadPoolExecutor

from tests.hostile.mutants import forever, run


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.hostile", description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--first", type=int, default=1000, help="number of the first case")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args()
    end = time.monotonic() + 60 * asked.minutes
    tried = readable = failed = 0
    for numbers in forever(asked.workers, asked.first):
        parts = [numbers[k :: asked.workers] for k in range(asked.workers)]
        with ThreadPoolExecutor(asked.workers) as pool:
            for count, failures in pool.map(run, parts):
                readable += count
                failed += len(failures)
                for failure in failures:
                    print(f"case {failure.number}: {failure.what}", flush=True)
        tried += len(numbers)
        print(f"{tried} tried, {readable} read, {failed} failed; next {numbers.stop}", flush=True)
        if time.monotonic() > end:
            break
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
