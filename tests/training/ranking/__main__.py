"""Make and judge the takes, fit, and write the weights."""

from __future__ import annotations

import argparse
import math
import re
from pathlib import Path

import vocheck.policy
from tests.training.ranking.fit import FITTED, chance, fit, fitted_criteria, training_takes
from vocheck.policy import costs, loader, rows

RANKING = Path(vocheck.policy.__path__[0]) / "ranking.toml"
LEAST = 0.1  # a fact that the judge hears little of keeps this much weight: worse is never free


def main() -> None:
    """Run the whole chain; every step is seeded."""
    parser = argparse.ArgumentParser(prog="python -m tests.training.ranking", description=__doc__)
    parser.add_argument("--mixed", type=int, default=24, help="takes with mixed faults per line")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    takes = training_takes(options.mixed, options.seed)
    for number, take in enumerate(takes, start=1):
        _ = take.measurements, take.judged("PESQ")
        take.forget()
        if number % 50 == 0:
            print(f"{number} of {len(takes)} takes", flush=True)
    weights = fit(takes, fitted_criteria())
    text = RANKING.read_text(encoding="utf-8")
    for name, weight in weights.items():
        print(f"{name}: {weight:.3f}")
        text = written(text, name, max(LEAST, weight))
    RANKING.write_text(text, encoding="utf-8")
    for kept in (loader.shipped, costs.shipped_ranking, rows.shipped_rows):
        kept.cache_clear()
    margin = math.ceil(20 * chance(takes)) / 20
    print(f"faultless takes differ by up to {margin:.2f} points")
    text = re.sub(r"^undecided = .*$", f"undecided = {margin:.2f}", text, flags=re.MULTILINE)
    RANKING.write_text(text, encoding="utf-8")


def written(text: str, name: str, weight: float) -> str:
    """Return the text of ``ranking.toml`` with the weight of one criterion replaced."""
    table = re.compile(rf"^\[{name}\]\n.*?(?=^\[|\Z)", re.DOTALL | re.MULTILINE)

    def replaced(found: re.Match[str]) -> str:
        if f'source = "{FITTED}' not in found[0]:
            raise ValueError(f"the weight of {name} is not a fitted one")
        return re.sub(r"^weight = .*$", f"weight = {weight:.2f}", found[0], flags=re.MULTILINE)

    return table.sub(replaced, text)


if __name__ == "__main__":
    main()
