"""A ranked session in sentences: which take to use, which is as clean, what to know, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from vocheck.policy.judge import Verdict
from vocheck.policy.words import fill
from vocheck.session.names import says_no_take
from vocheck.takes.rank import LineRanking, RankedTake, Ranking, Reason
from vocheck.wording.delivery import landing_sentences, obstacles_of, one_channel_sentences
from vocheck.wording.findings import short_with_place
from vocheck.wording.vocabulary import counted, file_name, fitted, hertz, listed, spoken, tenths


@dataclass(frozen=True)
class Row:
    """What the table of a session says of one line.

    Attributes
    ----------
    line : str
    use : str
        The take to use.
    circled : bool
    verdict : Verdict
        Of that take.
    as_clean : tuple of str
        Takes that cannot be told apart from it.
    know : tuple of str
        What to know of it, the most important first; empty where it is clean.
    """

    line: str
    use: str
    circled: bool
    verdict: Verdict
    as_clean: tuple[str, ...]
    know: tuple[str, ...]


def row(line: LineRanking) -> Row:
    """Return what the table of a session says of a line."""
    names = take_names(line)
    first = line.order[0]
    return Row(
        line=line.line,
        use=names[0],
        circled=first.circled,
        verdict=first.verdict,
        as_clean=tuple(
            name
            for name, take in zip(names, line.order, strict=True)
            if take is not first and take.verdict == first.verdict and _as_clean(take, line)
        ),
        know=tuple(_to_know(line, names)),
    )


def _as_clean(take: RankedTake, line: LineRanking) -> bool:
    """Return whether a take and the first of its line are both as clean as the cleanest."""
    return take.standing.grade == "as clean" and line.order[0].standing.grade == "as clean"


def _to_know(line: LineRanking, names: Sequence[str]) -> list[str]:
    first = line.order[0]
    serious = [f for f in first.result.findings if f.severity == first.verdict]
    know = [short_with_place(finding) for finding in serious]
    standing = first.standing
    if standing.kind == "behind" and standing.against is not None:
        other = line.order[standing.against - 1]
        name = names[standing.against - 1]
        if other.verdict != first.verdict:
            know.insert(1, f"{name} is {_STATES[other.verdict]}")
        else:
            know.append(f"{name} is {standing.grade.replace('worse', 'cleaner')}")
    others = [names[i] for i, take in enumerate(line.order[1:], 1) if take.circled]
    if others:
        know.append(f"{listed(others)} circled too")
    know += [obstacles_of(delivery) for delivery in first.result.delivery if delivery.obstacles]
    return know


_STATES = {"keep": "clean", "fixable": "fixable", "retake": "no better"}


def take_names(line: LineRanking) -> list[str]:
    """Return what to call each take of a line.

    Its number where every take has one of its own; else its file's name, with the folder where two
    have the same name.
    """
    numbers = [take.result.take for take in line.order]
    if all(take is not None for take in numbers) and len(set(numbers)) == len(numbers):
        return [f"take {take}" for take in numbers]
    stems = [Path(take.path).stem if take.path else f"take {take.position}" for take in line.order]
    return [
        stem if stems.count(stem) == 1 else f"{Path(take.path or '').absolute().parent.name}/{stem}"
        for stem, take in zip(stems, line.order, strict=True)
    ]


def take_list(names: Sequence[str], most: int = 2) -> str:
    """Return takes as a short list: ``take 1``, ``takes 3, 4`` or ``takes 3, 4 +2``."""
    numbers = [name.removeprefix("take ") for name in names]
    more = f" +{len(names) - most}" if len(names) > most else ""
    if all(number.isdigit() for number in numbers) and len(names) > 1:
        return f"takes {', '.join(numbers[:most])}{more}"
    return f"{', '.join(names[:most])}{more}"


def standing_sentence(take: RankedTake, line: LineRanking) -> str:
    """Return why a take stands where it stands."""
    standing = take.standing
    if standing.against is None:
        return "the only take of this line"
    other = take_names(line)[standing.against - 1]
    worse = ", ".join(map(reason_words, standing.reasons))
    if standing.kind == "same":
        return f"cannot be told apart from {other}: choose by the read"
    if standing.kind == "behind":
        return f"against {other}: {worse or 'a little of many things'}"
    if worse:
        return f"cleanest; the next, {other}, is worse: {worse}"
    return f"cleanest, by a little of many things; next is {other}"


def reason_words(reason: Reason) -> str:
    """Return in a few words what a take has more of than another."""
    return fill(reason.worse, diff=reason.difference, value=reason.value, count=reason.count)


def reasons(take: RankedTake, line: LineRanking) -> list[str]:
    """Return why a take stands where it stands, the most important first."""
    circled = ["circled in the notes"] if take.circled else []
    return [*circled, standing_sentence(take, line)]


def nearest_clean_sentence(line: LineRanking) -> str:
    """Return what to do where the circled take of a line needs a retake."""
    name = file_name(line.nearest_clean)
    return f"The circled take needs a retake; the nearest clean one is {name}."


def grade_words(take: RankedTake, line: LineRanking) -> str:
    """Return how clean a take is against the cleanest of its line: ``as clean as take 1``."""
    standing = take.standing
    if standing.kind == "only":
        return ""
    if standing.kind == "best" or standing.against is None:
        return "cleanest"
    other = take_names(line)[standing.against - 1]
    if standing.grade == "as clean":
        return f"as clean as {other}"
    return f"{standing.grade} than {other}"


def points_words(take: RankedTake) -> str:
    """Return the points of a take and what they are for; the parts add up to the whole."""
    total = round(-take.score, 1)
    if total <= 0.0:
        return "0.0 points: it has the least of everything in its line"
    told = zip(take.costs, tenths(list(take.costs.values()), total), strict=True)
    words = [f"{_COSTS.get(name, spoken(name))} {points:.1f}" for name, points in told if points]
    return f"{total:.1f} points beyond the least of each in its line: {', '.join(words)}"


_COSTS = {"script": "words not as written", "plosives": "breath pops"}


def one_channel(ranking: Ranking) -> str:
    """Return how one channel was counted against the targets; nothing where no take has one."""
    takes = (take for line in ranking.lines for take in line.order)
    return " ".join(one_channel_sentences(d for take in takes for d in take.result.delivery))


def landing(ranking: Ranking) -> list[str]:
    """Return for each target what its gain does to the takes to use, once for the session."""
    sentences = landing_sentences([line.order[0].result.delivery for line in ranking.lines])
    if sentences and (counted := one_channel(ranking)):
        sentences[-1] += f" {counted}"
    return sentences


def session_notes(ranking: Ranking) -> list[str]:
    """Return what to know of a session as a whole: its rates, rooms and how its lines were told."""
    return [*rate_sentences(ranking), *room_sentences(ranking), *sound_sentences(ranking)]


def room_sentences(ranking: Ranking) -> list[str]:
    """Return which takes were recorded in another room or at another distance, if any."""
    names = {
        take.path: f"{line.line} {name}"
        for line in ranking.lines
        for name, take in zip(take_names(line), line.order, strict=True)
    }
    return [
        f"{_ROOMS[change.kind]}: {fitted([names[path] for path in change.paths], 100)} "
        f"(rings {change.rt60_s:.2f} s, clarity {change.c50_db:.0f} dB; "
        f"{change.usual_rt60_s:.2f} s and {change.usual_c50_db:.0f} dB in the rest)."
        for change in ranking.rooms
    ]


_ROOMS = {
    "room": "Another room, or a door or an absorber moved",
    "further": "Further from the microphone",
    "nearer": "Nearer to the microphone",
}


def rate_sentences(ranking: Ranking) -> list[str]:
    """Return which takes were recorded at another rate than the rest, if any."""
    takes: dict[int, list[str]] = {}
    for line in ranking.lines:
        for name, take in zip(take_names(line), line.order, strict=True):
            rate = take.result.source.rate_hz
            takes.setdefault(rate, []).append(f"{line.line} {name}")
    if len(takes) < 2:
        return []
    usual = max(takes, key=lambda rate: len(takes[rate]))
    others = [
        f"{hertz(rate)} in {fitted(names, 100)}"
        for rate, names in sorted(takes.items())
        if rate != usual
    ]
    return [f"Sample rates differ: {'; '.join(others)}; {hertz(usual)} in the rest."]


def sound_sentences(ranking: Ranking) -> list[str]:
    """Return what was told by the sound of takes, because their names do not prove it."""
    same = [done.line for done in ranking.by_sound if len(done.lines) == 1]
    sentences = [
        f"{done.line}: {counted(done.takes, 'take')} of different words, by their sound (or too "
        f"short to tell); sorted into {counted(len(done.lines), 'line')}: "
        f"{fitted(done.lines, 200)}."
        for done in ranking.by_sound
        if len(done.lines) > 1
    ]
    parted = bool(sentences)
    if same:
        sentences.append(
            f"Names do not prove that the takes of {fitted(same, 200)} are the same words; by "
            "their sound they are."
        )
    unknown = not all(says_no_take(path) for path in ranking.left_out)
    return [*sentences, HOW_TO_SAY] if parted or unknown else sentences


HOW_TO_SAY = (
    "To say which line and take a file is: --pattern, or notes.csv beside the takes with the "
    "columns File name, Scene and Take."
)


def left_out_sentence(ranking: Ranking, width: int = 1000) -> str:
    """Return which files are not ranked, in a sentence of at most `width` characters."""
    head = "Left out, not named like takes: "
    return head + fitted([*map(file_name, ranking.left_out)], width - len(head))


def session_sentence(ranking: Ranking, width: int = 1000) -> str:
    """Return in a sentence whether every line has a clean take.

    Parameters
    ----------
    ranking : Ranking
    width : int
        How long the sentence may be: of many lines only some are named.
    """
    if not ranking.lines:
        return "No take could be ranked."
    lines, takes = len(ranking.lines), sum(len(line.order) for line in ranking.lines)
    head = f"{counted(lines, 'line')}, {counted(takes, 'take')}."
    missing = [
        line.line
        for line in ranking.lines
        if not any(take.verdict == "keep" for take in line.order)
    ]
    if missing:
        head = f"{head} Still needs a clean take: "
        return f"{head}{fitted(missing, width - len(head) - 1)}."
    spoiled = [line.line for line in ranking.lines if line.nearest_clean]
    if spoiled:
        head = f"{head} Every line has a clean take. Circled but a retake: "
        return f"{head}{fitted(spoiled, width - len(head) - 1)}."
    return f"{head} Every line has a clean take."
