"""Whether takes of a line are put in the right order, and whether outside judges would agree.

Run as ``python -m tests.accuracy.ranking``. Needs the ``judges`` extra.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from functools import cache
from itertools import combinations

import numpy as np
import numpy.typing as npt
from scipy.stats import spearmanr

from tests.accuracy.sections import write_section
from tests.material.faults import (
    FAULTS,
    Fault,
    Line,
    Take,
    clean_takes,
    graded_takes,
    lines,
    mixed_takes,
)
from tests.training.ranking.fit import amounts, audible, fit, fitted_criteria
from vocheck.policy.judge import judge, verdict_of
from vocheck.policy.limits import load_limits
from vocheck.recording import Recording
from vocheck.session.take import TakeResult
from vocheck.takes.rank import VERDICT_ORDER, LineRanking, load_criteria, rank_line

MIXED, OTHERS = 20, 8
SEED = 1
JUDGES = ("PESQ", "STOI", "P.808", "P.835")
CLEAR = 2  # grades apart that are called a clear difference

Values = npt.NDArray[np.float64]


@cache
def graded(line: Line, name: str) -> list[Take]:
    return graded_takes(line, FAULTS[name])


@cache
def mixed(line: Line) -> list[Take]:
    return mixed_takes(line, MIXED, audible(), SEED)


@cache
def every_kind(line: Line) -> list[Take]:
    return mixed_takes(line, OTHERS, list(FAULTS), SEED + 1)


@cache
def faultless(line: Line) -> list[Take]:
    return clean_takes(line)


def result(take: Take) -> TakeResult:
    """Return what vocheck says of a take."""
    measurements = take.measurements
    findings = judge(measurements, load_limits())
    return TakeResult(
        path=None,
        sha256=None,
        line=None,
        take=None,
        source=Recording(np.zeros((1, 1), np.float32), 48000).source,
        measurements=measurements,
        findings=findings,
        verdict=verdict_of(findings),
    )


def ranked(takes: Sequence[Take]) -> tuple[LineRanking, Values, Values]:
    """Return the ranking, and for each take its place in it (equals share one) and its damage."""
    results = [result(take) for take in takes]
    ranking = rank_line("line", results)
    keys = {
        id(found.result): (VERDICT_ORDER.index(found.verdict), round(-found.score, 9))
        for found in ranking.order
    }
    mine = [keys[id(one)] for one in results]
    places = np.array([sorted(set(mine)).index(key) for key in mine], float)
    return ranking, places, np.array([damage for _, damage in mine])


def judged(takes: Iterable[Take], name: str) -> Values:
    """Return what a judge says, higher for worse, as our places are."""
    return np.array([-take.judged(name) for take in takes])


def in_order(worse: Values, pairs: Sequence[tuple[int, int]]) -> list[bool]:
    """Return for pairs of (better, worse) whether they are told so; equals are not."""
    return [bool(worse[a] < worse[b]) for a, b in pairs]


def agreement(one: Values, other: Values) -> float:
    """Return Spearman's correlation; not a number where either makes no difference."""
    if np.ptp(one) == 0 or np.ptp(other) == 0:
        return math.nan
    return float(spearmanr(one, other).statistic)


def mean(values: Iterable[float], form: str = "{:.2f}") -> str:
    found = [value for value in values if not math.isnan(value)]
    return form.format(np.mean(found)) if found else "–"


def share(found: Sequence[bool]) -> str:
    return f"{np.mean(found):.1%}" if found else "–"


def graded_table() -> str:
    head = (
        "fault (four strengths)",
        *("pairs", "ours", "told as equal", *JUDGES),
        *("neighbors: ours", "Spearman with the strength", "with PESQ"),
    )
    rows = [row(head), row("---" for _ in head)]
    everything: list[bool] = []
    for fault in FAULTS.values():
        cells, right = graded_row(fault)
        everything += right
        rows.append(row(cells))
    rows.append(row(("**all**", f"{len(everything)}", f"**{share(everything)}**", *[""] * 8)))
    return "\n".join(rows)


def row(cells: Iterable[str]) -> str:
    return "| " + " | ".join(cells) + " |"


def graded_row(fault: Fault) -> tuple[list[str], list[bool]]:
    """Return the cells of one fault, and for each clear pair whether it is in the right order."""
    clear: list[bool] = []
    next_to: list[bool] = []
    equal: list[bool] = []
    judges: dict[str, list[bool]] = {name: [] for name in JUDGES}
    with_strength, with_pesq = [], []
    for line in lines(testing=True):
        takes = graded(line, fault.name)
        grade = np.array([take.faults[0][1] if take.faults else 0.0 for take in takes])
        _, places, _ = ranked(takes)
        pairs = [(a, b) for a, b in combinations(range(len(takes)), 2)]
        apart = [(a, b) for a, b in pairs if grade[b] - grade[a] >= CLEAR]
        clear += in_order(places, apart)
        next_to += in_order(places, [(a, b) for a, b in pairs if grade[b] - grade[a] == 1])
        equal += [ranked([takes[a], takes[b]])[0].undecided for a, b in apart]
        for name in fault.heard_by & set(heard_on(line)):
            judges[name] += in_order(judged(takes, name), apart)
        with_strength.append(agreement(places, grade))
        if "PESQ" in fault.heard_by:
            with_pesq.append(agreement(places, judged(takes, "PESQ")))
    strengths = ", ".join(f"{grade:g}" for grade in fault.grades)
    return [
        f"{fault.name} ({strengths} {fault.unit})",
        f"{len(clear)}",
        share(clear),
        share(equal),
        *(share(judges[name]) for name in JUDGES),
        share(next_to),
        mean(with_strength),
        mean(with_pesq),
    ], clear


def heard_on(line: Line) -> tuple[str, ...]:
    """Return the judges of a line: the networks are slow, and hear the first line only."""
    return JUDGES if line is lines(testing=True)[0] else JUDGES[:2]


def mixed_table() -> str:
    """Return how far orders agree on takes with several faults."""
    ours: dict[str, Callable[[Line], Values]] = {
        "the order": lambda line: ranked(mixed(line))[1],
        "its points alone": lambda line: ranked(mixed(line))[2],
        "points, refitted without the line and its voice": left_out,
        "PESQ": lambda line: judged(mixed(line), "PESQ"),
        "STOI": lambda line: judged(mixed(line), "STOI"),
    }
    rows = [row(("Spearman within a line, mean (least)", *JUDGES)), row(["---"] * 5)]
    for title, values in ours.items():
        cells = []
        for name in JUDGES:
            found = [
                agreement(values(line), judged(mixed(line), name))
                for line in lines(testing=True)
                if name in heard_on(line)
            ]
            cells.append("" if name == title else f"{np.mean(found):.2f} ({min(found):.2f})")
        rows.append(row((title, *cells)))
    return "\n".join(rows)


@cache
def left_out(line: Line) -> Values:
    """Return the damage by weights fitted on the mixed takes of all other voices tested here."""
    criteria = fitted_criteria()
    others = [one for one in lines(testing=True) if one.voice.name != line.voice.name]
    weights = fit([take for one in others for take in mixed(one)], criteria)
    costs = np.array([amounts(take.measurements, criteria) for take in mixed(line)])
    return costs @ np.array([weights[criterion.name] for criterion in criteria])


def winners() -> str:
    """Return how often the first of five takes is the one that PESQ puts first."""
    first = second = count = 0
    for line in lines(testing=True):
        takes = mixed(line)
        for start in range(0, MIXED - 4, 5):
            five = takes[start : start + 5]
            best = int(judged(five, "PESQ").argmin())
            order = np.argsort(ranked(five)[1], kind="stable")
            first += best == order[0]
            second += best in order[:2]
            count += 1
    return (
        f"Of five takes with mixed faults, the one that PESQ puts first is ours in "
        f"{first / count:.0%} of {count} lines, and one of our first two in {second / count:.0%} "
        "(by chance 20 and 40 %)."
    )


def ties() -> str:
    """Return how often faultless takes are told to be equal."""
    told, differences = [], []
    for line in lines(testing=True):
        for a, b in combinations(faultless(line), 2):
            ranking, _, damage = ranked([a, b])
            told.append(ranking.undecided)
            differences.append(float(np.ptp(damage)))
    return (
        f"Of {len(told)} pairs of faultless readings of a line, {share(told)} are told to be "
        f"equal; their points differ by {np.median(differences):.2f} in the median, and by less "
        f"than {np.percentile(differences, 95):.2f} in 95 of 100."
    )


def everything_table() -> str:
    """Return how the order fares where some faults are none that PESQ hears."""
    found = []
    for line in lines(testing=True):
        takes = every_kind(line)
        found.append(agreement(ranked(takes)[1], judged(takes, "PESQ")))
    return (
        f"With faults of every kind mixed, those that PESQ cannot hear included, it is "
        f"{np.mean(found):.2f} with PESQ, over {OTHERS} takes a line."
    )


def prepare() -> None:
    """Measure and judge every take, and drop its samples: they would fill the memory."""
    for line in lines(testing=True):
        for fault in FAULTS.values():
            for take in graded(line, fault.name):
                known(take, fault.heard_by & set(heard_on(line)))
        for take in mixed(line):
            known(take, heard_on(line))
        for take in every_kind(line):
            known(take, ["PESQ"])
        for take in faultless(line):
            known(take, [])
        print(line.name, flush=True)


def known(take: Take, judges: Iterable[str]) -> None:
    _ = take.measurements, [take.judged(name) for name in judges]
    take.forget()


def main() -> None:
    """Measure and write the section."""
    prepare()
    tested = lines(testing=True)
    fitted = ", ".join(f"`{criterion.name}`" for criterion in fitted_criteria())
    chosen = ", ".join(
        f"`{criterion.name}`" for criterion in load_criteria() if criterion not in fitted_criteria()
    )
    real = ", ".join(line.name for line in tested if line.real)
    text = f"""
Tested on {len(tested)} lines: three synthetic voices, and real readers ({real}), none of which was
used when weights were fitted. Some of what is our choice was looked at on them, though: the rows
for gates, digital silence and bandwidth, and that clicks at the edges of a dropout do not count.
Every take is a reading of its own: tempo and pitch
within 3 %, level within 3 dB, in a quiet booth (noise 60 dB below the voice), and with the faults
named. What was fitted ({fitted}) was fitted on other voices reading other lines, by
`python -m tests.training.ranking`; the weights of {chosen} are our choice.

What each judge was used for. PESQ and STOI compare a take with its clean reading, at 16 kHz.
Neither hears what lies above 8 kHz, how loud a take is, sharper esses (PESQ evens out the
spectrum), the depth of a gate, or a mouth click before the first word; there the known strength is
the only witness. DNSMOS (P.808 and P.835) has no reference; it was trained on noise suppressors and
hears noise, rooms and noise reduction, and next to nothing of pops, clipping, clicks, dropouts,
gates and hum. It is asked about the former and about mixed faults, and on one line only, for it is
slow: its columns are an impression.

One fault. Pairs of takes that differ by {CLEAR} of the four strengths or more (no fault counts as
a strength of 0): the share that is in the right order. "Told as equal": of these, the pairs that
`rank` says cannot be told apart. "Neighbors": pairs that differ by one strength.

{graded_table()}

A gate with a threshold so high that it eats words is told by how much of the phrases is dead; a
slow one takes little of them until its threshold is near the level of the voice.

Mixed faults. {MIXED} takes a line, one to four faults each at random strength, of the kinds that
PESQ can hear. The points are what was fitted. The order puts the verdict first (`keep`, `fixable`,
`retake`), then the points: whether the edit can mend a fault matters to a crew, and no judge of the
raw sound can hear it, so the order agrees less than the points do.

{mixed_table()}

{everything_table()} {winners()}

{ties()}
"""
    write_section("ranking", "Ranking", text)
    print(text)


if __name__ == "__main__":
    main()
