"""What may go wrong in a worker; module-level, so that a worker finds it by name."""

from __future__ import annotations

import ctypes
import os
import time
from pathlib import Path

from vocheck.errors import AudioError
from vocheck.recording import Recording
from vocheck.session import takefile
from vocheck.session.takefile import TakeFile


def double(number: int) -> int:
    return 2 * number


def pid(_: object = None) -> int:
    return os.getpid()


def crash(*_: object) -> None:
    """Read from address 0, as a decoder with a bug does."""
    ctypes.string_at(0)


def spin(*_: object) -> None:
    """Never come back."""
    while True:
        pass


def sleep(*_: object) -> None:
    """Wait for a disk that is gone."""
    time.sleep(600)


def spin_past_a_limit(_: object = None) -> None:
    from vocheck.session.workers import allow_cpu_s

    allow_cpu_s(0.2)
    spin()


def take_all_memory(*_: object) -> bytes:
    return bytes(1 << 50)


class _OfItsOwn(Exception):
    def __init__(self, one: int, two: int) -> None:
        super().__init__(f"{one} and\n{two}")


def raise_what_cannot_be_pickled(*_: object) -> None:
    raise _OfItsOwn(1, 2)


def by_name(file: TakeFile) -> str:
    """Do what the file's name asks for: work for `each`."""
    path = file.path
    match Path(path).stem.removesuffix("_t1"):
        case "crash":
            crash()
        case "memory":
            take_all_memory()
        case "not_audio":
            raise AudioError(f"{path}: is not an audio file")
        case "latin":
            b"\xe9".decode("utf-8")
        case "disk":
            raise OSError(5, "Input/output error")
        case "strange":
            raise_what_cannot_be_pickled()
    return path.upper()


def break_the_reader() -> None:
    """Have the file called ``crash`` end the process, and one called ``latin`` fail, when read."""
    honest = takefile.read

    def read(path: str) -> Recording:
        by_name(TakeFile(path))
        return honest(path)

    takefile.read = read
