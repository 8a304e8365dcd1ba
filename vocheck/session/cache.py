"""What was measured before, kept so that a second look at the same takes costs next to nothing.

A take is measured once; then it is ranked again and again while the film is cut. `remember` keeps
what a recording was measured to be (never what was judged: limits change) under the SHA-256 of the
file's bytes and a fingerprint of everything that measured it: the code of this package, the
libraries it calculates with, Python. So nothing kept can be stale: other sound, or other code, is
another key. A renamed or copied file is the same sound, and is known.

It is off until `remembering` turns it on, which the commands do. Entries lie in the user's cache
folder (``VOCHECK_CACHE`` names another), one small JSON file each, written whole or not at all and
with a checksum; those not used for longest go when there are more than `MOST_ENTRIES`. Whatever
goes wrong with them, nothing is lost: it is measured again, and where nothing can be written,
nothing is kept.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import platform
import sys
import types
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from vocheck.errors import VocheckError
from vocheck.files import replacing
from vocheck.results import Result

R = TypeVar("R", bound=Result)

MOST_ENTRIES = 5000
"""Some 30 MB: one entry takes about 6 kB."""

_LIBRARIES = ("numpy", "scipy", "soundfile", "soxr", "av", "pocketsphinx")
_folder: Path | None = None


@contextmanager
def remembering(folder: Path) -> Iterator[None]:
    """Keep results in a folder, and take them from there, while the block runs."""
    global _folder
    before, _folder = _folder, folder
    try:
        yield
    finally:
        _folder = before
        with suppress(OSError):
            _drop_oldest(folder)


def remember_in(folder: Path) -> None:
    """Keep results in a folder from now on: for a worker, which lives as long as its pool."""
    global _folder
    _folder = folder


def kept_in() -> Path | None:
    """Return the folder in which results are kept now, if they are."""
    return _folder


def user_folder() -> Path:
    """Return where this user's programs keep what they can make again."""
    from platformdirs import user_cache_path

    named = os.environ.get("VOCHECK_CACHE")
    return Path(named) if named else user_cache_path("vocheck", appauthor=False)


def remember(
    kind: type[R], key: tuple[str, ...], make: Callable[[], R], keep: Callable[[], bool]
) -> R:
    """Return what is kept under a key; where nothing is, make it and keep it.

    Parameters
    ----------
    kind : type
        Of the result: a frozen dataclass of plain values, tuples and other such dataclasses.
    key : tuple of str
        All that the result depends on, but for code.
    make : callable
    keep : callable
        Asked after `make`: whether the key still holds, or the file has changed meanwhile.
    """
    folder = _folder
    if folder is None:
        return make()
    digest = hashlib.sha256("\0".join((_fingerprint(), kind.__name__, *key)).encode()).hexdigest()
    entry = folder / f"{digest}.json"
    # Whatever stands there, a result or none: the worst is to measure again.
    with suppress(OSError, ValueError, KeyError, TypeError):
        result: R = _built(kind, _read(entry))
        os.utime(entry)  # used just now: the last to go
        return result
    result = make()
    if keep():
        with suppress(OSError, VocheckError):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            _write(entry, dataclasses.asdict(result))
    return result


def _read(entry: Path) -> Any:
    checksum, _, text = entry.read_text(encoding="utf-8").partition("\n")
    if checksum != _sha256(text):
        raise ValueError(f"{entry}: damaged")
    return json.loads(text)


def _write(entry: Path, plain: dict[str, Any]) -> None:
    text = json.dumps(plain)
    with replacing(entry, durable=False) as temporary:
        temporary.write_text(f"{_sha256(text)}\n{text}", encoding="utf-8")


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _drop_oldest(folder: Path) -> None:
    entries = list(folder.glob("*.json"))
    if len(entries) > MOST_ENTRIES:
        entries.sort(key=lambda entry: entry.stat().st_mtime_ns)
        for entry in entries[: len(entries) - MOST_ENTRIES * 9 // 10]:
            entry.unlink(missing_ok=True)


def _built(kind: Any, plain: Any) -> Any:
    """Return a value of a type from the plain data that JSON holds of it."""
    if isinstance(kind, type) and dataclasses.is_dataclass(kind):
        hints = _hints(kind)
        return kind(**{name: _built(hint, plain[name]) for name, hint in hints.items()})
    origin, inside = get_origin(kind), get_args(kind)
    if origin is tuple:
        if inside[-1] is Ellipsis:
            return tuple(_built(inside[0], item) for item in plain)
        return tuple(_built(hint, item) for hint, item in zip(inside, plain, strict=True))
    if origin in (Union, types.UnionType) and plain is not None:
        some = [hint for hint in inside if hint is not type(None)]
        return _built(some[0], plain) if len(some) == 1 else plain
    return plain


@cache
def _hints(kind: Any) -> dict[str, Any]:
    hints = get_type_hints(kind)
    return {field.name: hints[field.name] for field in dataclasses.fields(kind)}


@cache
def _fingerprint() -> str:
    """Return what tells this code from any other that might measure differently."""
    told = hashlib.sha256()
    for part in (sys.version, platform.machine(), *map(_version, _LIBRARIES)):
        told.update(f"{part}\0".encode())
    package = Path(__file__).parent.parent
    for file in sorted(package.rglob("*")):
        if file.suffix in (".py", ".npz", ".toml"):
            told.update(f"{file.relative_to(package)}\0".encode())
            told.update(file.read_bytes())
    return told.hexdigest()


def _version(library: str) -> str:
    try:
        return version(library)
    except PackageNotFoundError:
        return ""
