"""A folder of finished mixes and stems as a package for a client: `plan_package`, `check_package`.

What is a stem tells its name (`STEM_WORDS`); every other recording is a mix. A mix whose name holds
the name of a destination is for that one, any other mix is for all of them. The package holds a
folder per destination. WAV files are written anew as Broadcast WAV with their loudness in the
header, their samples bit for bit; every other file is copied byte for byte.

Nothing is changed in level here: a mix that does not pass is not packed.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from string import Formatter
from typing import Any, Literal

from vocheck.audio.broadcast_wav import LoudnessFields, stamp
from vocheck.errors import VocheckError
from vocheck.mix.check import check_mix
from vocheck.mix.results import MixResult
from vocheck.mix.stems import STEMS
from vocheck.policy.delivery import Check, Verdict
from vocheck.policy.destinations import Destination
from vocheck.policy.every import Policy, policy_for
from vocheck.results import SCHEMA, Result
from vocheck.session.names import SUFFIXES, parse_name

STEM_WORDS = {
    "voice": ("voice", "vo", "dialogue", "dialog", "narration"),
    "bed": ("bed", "music", "mx"),
    "effects": ("effects", "fx", "sfx", "atmos", "ambience"),
    "m+e": ("m+e", "m&e", "me"),
}
"""What a part of a name says of its file: the word by which it is called in the package first."""

DEFAULT_PATTERN = "{title}_{version}"
FIELDS = ("title", "version", "destination", "date")
"""What may stand in a pattern for names."""

SUMS, REPORT, SHEET = "SHA256SUMS", "delivery.json", "delivery.pdf"
WAVE_CONTAINERS = ("WAV", "BWF", "RF64", "BW64")
_ROOM_TONE = re.compile(r"room[ ._-]?tone", re.IGNORECASE)
_UNSAFE = re.compile(r"[^\w.+()-]+")
_VERSIONS = {1: "mono", 2: "stereo", 6: "5.1", 8: "7.1"}  # what so many channels are called


@dataclass(frozen=True, kw_only=True)
class Item(Result):
    """A file of a package.

    Attributes
    ----------
    source : str
        Where it comes from.
    path : str
        Where it stands in the package, with forward slashes.
    kind : {"mix", "stem"}
    version : str
        ``stereo``, ``mono``, ``5.1``; of a stem ``voice``, ``bed``, ``effects`` or ``m+e``.
    destination : str
    sha256_source, sha256 : str
        Of the source, and of the file in the package; empty before it is there.
    bytes : int
    stamped : bool
        Whether its loudness was written into its header.
    result : MixResult
    """

    source: str
    path: str
    kind: Literal["mix", "stem"]
    version: str
    destination: str
    sha256_source: str
    sha256: str = ""
    bytes: int = 0
    stamped: bool = False
    result: MixResult


@dataclass(frozen=True, kw_only=True)
class Problem(Result):
    """Why a package may not go out.

    Attributes
    ----------
    kind : {"no mix", "not good enough", "not told", "same name"}
        A destination without a mix; a mix with a verdict that is too bad; one of which something
        that could fail cannot be told; two files of one name.
    names : tuple of str
        The destination; the file and its destination; both files and their name.
    verdict : {"pass", "warn", "fail", "not published"} or None
    """

    kind: Literal["no mix", "not good enough", "not told", "same name"]
    names: tuple[str, ...]
    verdict: Verdict | None = None


@dataclass(frozen=True, kw_only=True)
class Package(Result):
    """What is handed over: checked, and where it was written, with check sums.

    Attributes
    ----------
    title : str
    made : str
        Date and time with zone, ISO 8601.
    version : str
        Of vocheck.
    destinations : tuple of Destination
    items : tuple of Item
    left_out : tuple of str
        Files of the folder that are no part of the package.
    verdict : {"pass", "warn", "fail", "not published"}
        The worst of the mixes.
    problems : tuple of Problem
        Why it may not go out; empty where it may.
    """

    title: str
    made: str
    version: str
    destinations: tuple[Destination, ...]
    items: tuple[Item, ...]
    left_out: tuple[str, ...]
    verdict: Verdict
    problems: tuple[Problem, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the package as plain data."""
        return {"schema": SCHEMA, **super().to_dict()}


@dataclass(frozen=True)
class _Planned:
    source: Path
    kind: Literal["mix", "stem"]
    word: str
    title: str
    destination: str


def check_package(
    folder: str | os.PathLike[str],
    targets: Sequence[str],
    *,
    pattern: str = DEFAULT_PATTERN,
    title: str | None = None,
    now: datetime,
    version: str,
    fail_on: Sequence[Verdict] = ("fail",),
    policy: Policy | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> Package:
    """Check every file of a folder that belongs into a package.

    Parameters
    ----------
    folder : path-like
    targets : sequence of str
        Names of destinations.
    pattern : str
        How files are called, with the fields of `FIELDS`.
    title : str, optional
        Of the film; where omitted, that of each file.
    now : datetime
        With its zone.
    version : str
        Of vocheck.
    fail_on : sequence of str
        Verdicts with which a mix may not go out.
    policy : Policy, optional
        Where omitted, that of the folder.
    progress : callable
        Called with the name of each file before it is checked.

    Raises
    ------
    VocheckError
        If the folder holds no mix, or the pattern cannot be used.
    """
    folder = Path(folder)
    check_pattern(pattern)
    policy = policy or policy_for(folder)
    destinations = policy.find_destinations(targets)
    if not destinations:
        raise VocheckError("a package goes to at least one destination: name it with --to")
    planned, left_out = _planned(folder, [d.name for d in destinations])
    problems = [
        Problem(kind="no mix", names=(destination.name,))
        for destination in destinations
        if not any(p.kind == "mix" and p.destination == destination.name for p in planned)
    ]
    items: list[Item] = []
    for one in planned:
        progress(one.source.name)
        digest = sha256_of(one.source)
        is_mix = one.kind == "mix"
        stems = _stems_of(one, planned) if is_mix else {}
        asked = [one.destination] if is_mix else []
        result = check_mix(one.source, asked, stems, config=policy.config)
        item = _item(one, result, digest, pattern, title, now)
        items.append(item)
        names = (one.source.name, one.destination)
        if is_mix and result.verdict in fail_on:
            problems.append(Problem(kind="not good enough", names=names, verdict=result.verdict))
        elif any(_is_untold(check) for made in result.destinations for check in made.checks):
            problems.append(Problem(kind="not told", names=names))
    problems += _twice(items)
    return Package(
        title=title or _common_title(items, folder),
        made=now.isoformat(timespec="seconds"),
        version=version,
        destinations=destinations,
        items=tuple(items),
        left_out=tuple(left_out),
        verdict=_worst(item.result.verdict for item in items if item.kind == "mix"),
        problems=tuple(problems),
    )


def write_files(package: Package, folder: Path) -> Package:
    """Write the files of a package, and read each again for its check sum.

    Parameters
    ----------
    package : Package
        Without problems.
    folder : Path
        An empty folder that is to become the package.

    Returns
    -------
    Package
        With size and check sum of each file.

    Raises
    ------
    VocheckError
        If a source has changed since it was checked, or a file cannot be written.
    """
    items = []
    for item in package.items:
        target = folder / item.path
        target.parent.mkdir(parents=True, exist_ok=True)
        is_wave = item.result.source.container in WAVE_CONTAINERS
        if is_wave:
            stamp(item.source, target, _loudness(item.result))
        else:
            shutil.copyfile(item.source, target)
        if sha256_of(item.source) != item.sha256_source:
            raise VocheckError(f"{item.source}: has changed since it was checked; check it again")
        digest = sha256_of(target)
        if not is_wave and digest != item.sha256_source:
            raise VocheckError(f"{item.path}: is not what was copied; look at the disk")
        size = target.stat().st_size
        items.append(replace(item, sha256=digest, bytes=size, stamped=is_wave))
    return replace(package, items=tuple(items))


def sha256_of(path: str | os.PathLike[str]) -> str:
    """Return the SHA-256 of a file (FIPS 180-4) in hexadecimal digits."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def render_sums(folder: Path, paths: Iterable[str]) -> str:
    """Return check sums of files as a list that ``sha256sum --check`` reads.

    Parameters
    ----------
    folder : Path
    paths : iterable of str
        Below the folder, with forward slashes.
    """
    return "".join(f"{sha256_of(folder / path)}  {path}\n" for path in paths)


def _planned(folder: Path, names: Sequence[str]) -> tuple[list[_Planned], list[str]]:
    """Return what goes into the package, and what does not."""
    try:
        files = sorted(path for path in folder.iterdir() if path.is_file())
    except OSError as error:
        raise VocheckError(f"{folder}: cannot be read: {error.strerror or error}") from error
    planned: list[_Planned] = []
    left_out = []
    for path in files:
        take = parse_name(path) if path.suffix.lower() in SUFFIXES else None
        is_take = take is not None and take.sure and take.take is not None
        is_other = path.name.startswith(".") or _ROOM_TONE.search(path.stem) is not None
        if path.suffix.lower() not in SUFFIXES or is_take or is_other:
            left_out.append(path.name)
            continue
        own = [name for name in names if _named(name).search(path.stem)]
        title, word = _split(path.stem, own)
        planned += [
            _Planned(path, "stem" if word else "mix", word, title, name) for name in own or names
        ]
    if not any(one.kind == "mix" for one in planned):
        raise VocheckError(f"{folder}: holds no mix that could be delivered")
    return planned, left_out


def _named(name: str) -> re.Pattern[str]:
    """Return what finds the name of a destination as a word of its own (``x`` is not in *mix*)."""
    return re.compile(rf"(?<![^\W_]){re.escape(name)}(?![^\W_])", re.IGNORECASE)


def _split(stem: str, own: Sequence[str]) -> tuple[str, str]:
    """Return the title that a name tells, and the word of its stem; empty for a mix."""
    for name in own:
        stem = _named(name).sub("", stem)
    parts = [part for part in re.split(r"[ ._-]+", stem) if part]
    word = ""
    for called, words in STEM_WORDS.items():
        found = [part for part in parts if part.lower() in words]
        if found and not word:
            word = called
            parts = [part for part in parts if part not in found]
    plain = [part for part in parts if part.lower() not in ("mix", "stereo", "mono", "stem")]
    return "_".join(plain or parts) or stem, word


def _item(
    one: _Planned,
    result: MixResult,
    digest: str,
    pattern: str,
    title: str | None,
    now: datetime,
) -> Item:
    channels = result.source.channels
    version = one.word or _VERSIONS.get(channels, f"{channels}ch")
    suffix = one.source.suffix.lower()
    suffix = ".wav" if result.source.container in WAVE_CONTAINERS else suffix
    values = {
        "title": title or one.title,
        "version": version,
        "destination": one.destination,
        "date": f"{now:%Y%m%d}",
    }
    name = _UNSAFE.sub("_", pattern.format(**values)).strip("._")
    if not name:
        raise VocheckError(f"--name {pattern}: gives no name for {one.source.name}")
    return Item(
        source=os.fspath(one.source),
        path=f"{one.destination}/{name}{suffix}",
        kind=one.kind,
        version=version,
        destination=one.destination,
        sha256_source=digest,
        result=result,
    )


def _stems_of(mix: _Planned, planned: Sequence[_Planned]) -> dict[str, Path]:
    """Return the stems of a mix: those of its title, where there is one of each kind."""
    found: dict[str, list[Path]] = {}
    for one in planned:
        if one.kind == "stem" and (one.title, one.destination) == (mix.title, mix.destination):
            found.setdefault(one.word, []).append(one.source)
    return {word: found[word][0] for word in STEMS if len(found.get(word, ())) == 1}


def _is_untold(check: Check) -> bool:
    return check.verdict == "cannot tell" and check.severity == "fail"


def check_pattern(pattern: str) -> None:
    """Refuse a pattern for names that cannot be filled.

    Raises
    ------
    VocheckError
        If it asks for anything but `FIELDS`.
    """
    try:
        fields = {name for _, name, _, _ in Formatter().parse(pattern) if name is not None}
    except ValueError:
        fields = {""}
    if not fields or not fields <= set(FIELDS):
        known = ", ".join(f"{{{field}}}" for field in FIELDS)
        raise VocheckError(f"--name {pattern}: cannot be filled; known are {known}")


def _twice(items: Sequence[Item]) -> list[Problem]:
    """Return which names two files would share, on a disk that knows no capitals as well."""
    seen: dict[str, str] = {}
    found = []
    for item in items:
        key = item.path.casefold()
        if key in seen:
            names = (seen[key], Path(item.source).name, item.path)
            found.append(Problem(kind="same name", names=names))
        seen[key] = Path(item.source).name
    return found


def _common_title(items: Sequence[Item], folder: Path) -> str:
    titles = {_split(Path(item.source).stem, [item.destination])[0] for item in items}
    return titles.pop() if len(titles) == 1 else folder.absolute().name


def _worst(verdicts: Iterable[Verdict]) -> Verdict:
    found = set(verdicts)
    order: tuple[Verdict, ...] = ("fail", "warn", "not published", "pass")
    return next((verdict for verdict in order if verdict in found), "fail")


def _loudness(result: MixResult) -> LoudnessFields:
    loudness = result.measurements.loudness
    return LoudnessFields(
        integrated_lufs=loudness.integrated_lufs,
        range_lu=loudness.range_lu,
        level_dbtp=result.measurements.true_peak.level_dbtp,
        momentary_max_lufs=loudness.momentary_max_lufs,
        short_term_max_lufs=loudness.short_term_max_lufs,
    )
