"""What was measured before, kept so that a second look at the same takes costs next to nothing.

A take is measured once; then it is ranked again and again while the film is cut. A `Cache` is a
value: a folder, and how much it may hold. It goes to other processes and machines as it is. Entries
are results (frozen dataclasses of plain values, arrays and other such), one file each.

An entry lies under the SHA-256 of its key: what was asked, of which bytes of sound, and a
fingerprint of what measured it (`fingerprint`). So nothing kept can be stale: other sound, or other
code that measures, is another key; a renamed or copied file is the same sound, and is known. What
was judged is never kept: limits change.

An entry holds its own key and a checksum, and is written whole or not at all. Whatever goes wrong
with one, nothing is lost: it is made again, and where nothing can be written, nothing is kept. When
the folder holds more than it may, what was not used for longest goes.
"""

from __future__ import annotations

import hashlib
import os
import platform
import sys
import time
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast

import msgspec
import numpy as np
import numpy.typing as npt

from vocheck.errors import VocheckError
from vocheck.files import replacing
from vocheck.results import Result

R = TypeVar("R", bound=Result)

MOST_BYTES = 1_000_000_000
"""What an hour of takes is measured to be, tracks and pictures included, takes about 50 MB."""
TRIM_EVERY_S = 3600.0
"""How often it is looked at how much there is: that takes a second where there are many entries."""
MEASURING = ("audio", "recording.py", "dsp", "voice", "measurements")
"""The rooms of this package that decide what a recording is measured to be."""

_LIBRARIES = ("numpy", "scipy", "soundfile", "soxr", "av", "pocketsphinx")
_FORMAT = "vocheck-entry 3"
_SUFFIX = ".entry"
_LOOKED_AT = "looked-at"


@dataclass(frozen=True)
class Cache:
    """A folder of results.

    Attributes
    ----------
    folder : Path
        Made when the first result is kept.
    most_bytes : int
        How much it may hold on the disk.
    """

    folder: Path
    most_bytes: int = MOST_BYTES

    def recall(self, kind: type[R], key: tuple[str, ...]) -> R | None:
        """Return what is kept of a kind under a key, or ``None``.

        Parameters
        ----------
        kind : type
            Of the result.
        key : tuple of str
            All that it depends on, a `fingerprint` included.
        """
        name = _name(kind, key)
        entry = self.folder / f"{name}{_SUFFIX}"
        # Whatever stands there, a result or none: the worst is to make it again.
        with suppress(OSError, ValueError, TypeError, msgspec.MsgspecError):
            content = entry.read_bytes()
            result: R = _decoder(cast(Any, kind)).decode(_checked(content, name))
            os.utime(entry)  # used just now: the last to go
            return result
        return None

    def keep(self, key: tuple[str, ...], result: Result) -> None:
        """Keep a result under a key, if that can be done."""
        name = _name(type(result), key)
        with suppress(OSError, VocheckError):
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            with replacing(self.folder / f"{name}{_SUFFIX}", durable=False) as temporary:
                temporary.write_bytes(_sealed(_encoder.encode(result), name))
            self._look_after()

    def _look_after(self) -> None:
        """See from time to time that there is not too much."""
        mark = self.folder / _LOOKED_AT
        with suppress(FileNotFoundError):
            if time.time() - mark.stat().st_mtime < TRIM_EVERY_S:
                return
        mark.touch()
        self.trim()

    def trim(self) -> None:
        """Drop what was not used for longest, until a tenth of the room is free again."""
        entries = []
        with os.scandir(self.folder) as found:
            for entry in found:
                with suppress(FileNotFoundError):
                    facts = entry.stat()
                    # Blocks of 512 bytes tell what it takes, where the system counts them.
                    size = getattr(facts, "st_blocks", 0) * 512 or facts.st_size
                    entries.append((facts.st_mtime_ns, size, entry.path))
        total = sum(size for _, size, _ in entries)
        if total <= self.most_bytes:
            return
        for _, size, path in sorted(entries):
            with suppress(FileNotFoundError):
                os.unlink(path)
            total -= size
            if total <= 0.9 * self.most_bytes:
                return


def user_cache() -> Cache:
    """Return the cache in which this user's commands keep what they measured."""
    from platformdirs import user_cache_path

    named = os.environ.get("VOCHECK_CACHE")
    return Cache(Path(named) if named else user_cache_path("vocheck", appauthor=False))


@cache
def fingerprint(*rooms: str) -> str:
    """Return what tells this code from any other that might measure differently.

    Parameters
    ----------
    *rooms : str
        Files and folders of this package: their code and data count, beside Python and the
        libraries that are calculated with.
    """
    told = hashlib.sha256()
    for part in (sys.version, platform.machine(), *map(_version, _LIBRARIES)):
        told.update(f"{part}\0".encode())
    package = Path(__file__).parent.parent
    for room in rooms:
        inside = [package / room, *sorted((package / room).rglob("*"))]
        for file in inside:
            if file.suffix in (".py", ".npz", ".toml"):
                told.update(f"{file.relative_to(package)}\0".encode())
                told.update(file.read_bytes())
    return told.hexdigest()


def _version(library: str) -> str:
    """Return the version of a library that is installed; of one that is not, nothing."""
    known = _folders().get(library)
    if known is not None:
        return known
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version(library)
    except PackageNotFoundError:
        return ""


@cache
def _folders() -> dict[str, str]:
    """Return the versions of libraries as the names of their folders of metadata tell them.

    To read the metadata itself (`importlib.metadata`) takes some milliseconds for each library.
    """
    found: dict[str, str] = {}
    for folder in sys.path:
        with suppress(OSError):
            for name in os.listdir(folder or os.curdir):
                if name.endswith((".dist-info", ".egg-info")):
                    library, _, told = name.rpartition(".")[0].partition("-")
                    found.setdefault(library.lower(), told)
    return found


# -- Entries: a line with name and checksum, then the result as MessagePack ------------------------


def _name(kind: type[Result], key: tuple[str, ...]) -> str:
    joined = "\0".join((_FORMAT, kind.__name__, *key))
    # A file's name may hold bytes that are no text (surrogates in Python): any name is a key.
    return hashlib.sha256(joined.encode(errors="surrogatepass")).hexdigest()


def _sealed(body: bytes, name: str) -> bytes:
    checksum = hashlib.sha256(name.encode() + body).hexdigest()
    return f"{_FORMAT} {name} {checksum}\n".encode() + body


def _checked(content: bytes, name: str) -> bytes:
    """Return the body of an entry; of a damaged one, or that of another key, nothing."""
    head, _, body = content.partition(b"\n")
    checksum = hashlib.sha256(name.encode() + body).hexdigest()
    if head != f"{_FORMAT} {name} {checksum}".encode():
        raise ValueError("damaged")
    return body


def _plain(value: Any) -> Any:
    """Turn numbers and arrays of numpy into what MessagePack can hold."""
    if isinstance(value, np.ndarray):
        return value.dtype.str, value.shape, np.ascontiguousarray(value).tobytes()
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"cannot be kept: {type(value).__name__}")


def _rich(_: Any, plain: Any) -> npt.NDArray[Any]:
    kind, shape, content = plain
    return np.frombuffer(content, np.dtype(kind)).reshape(shape)


_encoder = msgspec.msgpack.Encoder(enc_hook=_plain)


@cache
def _decoder(kind: type[Any]) -> msgspec.msgpack.Decoder[Any]:
    return msgspec.msgpack.Decoder(kind, dec_hook=_rich)
