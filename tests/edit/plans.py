"""Plans made by hand, whose recordings need not exist."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.material.handmade import take
from vocheck.audio.metadata import TakeMetadata
from vocheck.edit.plan import LineEdit, Medium, Piece
from vocheck.policy.judge import Finding
from vocheck.policy.limits import LIMITS
from vocheck.takes.comp import Join
from vocheck.takes.rank import rank_line


def finding(name: str, severity: str, times_s: tuple[float, ...]) -> Finding:
    """Return a finding at some places."""
    rule = LIMITS.load()[name]
    return Finding(
        name=name,
        fact=rule.fact,
        severity=severity,
        value=1.0,
        unit=rule.unit,
        limit=0.0,
        source="",
        status="our choice",
        count=len(times_s),
        times_s=times_s,
        rule=rule,
    )


def plan(
    number: int = 3, seed: int = 1, rates_hz: tuple[int, ...] = (48_000,), midnight: int = 0
) -> list[LineEdit]:
    """Return lines of three takes each; the path of every second one changes take once."""
    rng = np.random.default_rng(seed)
    lines = []
    for n in range(1, number + 1):
        name = f"{n:02d}_pot"
        results = [
            replace(
                take(t, line=name),
                path=f"rec/{name}_t{t}.wav",
                findings=(finding("clipping", "retake", (2.0, 4.75)),) if t == 2 else (),
            )
            for t in (1, 2, 3)
        ]
        ranking = rank_line(name, results, {})
        pieces = []
        for i, ranked in enumerate(ranking.order):
            rate = rates_hz[(n + i) % len(rates_hz)]
            medium = Medium(
                path=ranked.path,
                rate_hz=rate,
                frames=12 * rate + int(rng.integers(1000)),
                midnight=midnight * rate if midnight else None,
                metadata=TakeMetadata(scene=f"{n}", take=f"{i + 1}", note="the warm one"),
            )
            first, length = int(rng.integers(rate)), 6 * rate + int(rng.integers(4 * rate))
            pieces.append(Piece(take=ranked, medium=medium, first=first, length=length))
        best, *others = pieces
        cut = best.length // 2
        path = (
            replace(best, length=cut, phrases=(1, 2)),
            replace(others[0], first=others[0].first + 3001, length=cut + 77, phrases=(3,)),
        )
        join = Join(
            after=2,
            before_take=0,
            after_take=1,
            out_s=3.0,
            in_s=3.1,
            points=1.6,
            parts={"cut": 0.6, "level": 1.0},
        )
        with_path = n % 2 == 0
        lines.append(
            LineEdit(
                line=name,
                ranking=ranking,
                best=best,
                others=tuple(others),
                path=path if with_path else (replace(best, phrases=(1, 2, 3)),),
                joins=(join,) if with_path else (),
            )
        )
    return lines
