"""Changing one number of a ``vocheck.toml``: comments and everything else stay as they stand.

The new text is read as any settings are read before it takes the place of the old one, so that no
number can be saved that would be refused later.
"""

from __future__ import annotations

from collections.abc import MutableMapping, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from vocheck.errors import TargetError
from vocheck.files import replacing
from vocheck.policy.config import FILE_NAME
from vocheck.policy.every import load_policy


def set_number(path: Path, place: Sequence[str], value: float | None) -> None:
    """Write a number into a ``vocheck.toml``, which is made if there is none.

    Parameters
    ----------
    path : Path
        The file.
    place : sequence of str
        Table, name and key.
    value : float or None
        ``None`` takes the number out, so that the shipped one counts again.

    Raises
    ------
    TargetError
        If the settings would be malformed: nothing is written then.
    VocheckError
        If the file cannot be written.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        text = ""
    except (OSError, UnicodeDecodeError) as error:
        raise TargetError(f"{path}: cannot be read: {error}") from error
    changed = with_number(text, place, value, str(path))
    _check(changed, path)
    with replacing(path, setup=True) as temporary:
        temporary.write_text(changed, encoding="utf-8", newline="")


def with_number(text: str, place: Sequence[str], value: float | None, where: str) -> str:
    """Return the text of settings with another number in them.

    Raises
    ------
    TargetError
        If it is not TOML, or holds something else than a table on the way.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        document = tomlkit.parse(text)
    except TOMLKitError as error:
        raise TargetError(f"{where}: is no TOML: {error}") from error
    *tables, key = place
    steps: list[MutableMapping[str, Any]] = [document]
    for depth, name in enumerate(tables):
        inner = steps[-1].get(name)
        if inner is None:
            if value is None:
                return text
            inner = tomlkit.table(is_super_table=depth < len(tables) - 1)
            steps[-1][name] = inner
            inner = steps[-1][name]
        if not isinstance(inner, MutableMapping):
            raise TargetError(f"{where}: {name} is no table")
        steps.append(inner)
    table = steps[-1]
    if value is None:
        table.pop(key, None)
        for outer, name in zip(reversed(steps[:-1]), reversed(tables), strict=True):
            if not outer[name]:
                del outer[name]
    elif isinstance(table.get(key), MutableMapping):  # with a source of its own
        table[key]["value"] = _plain(value)
    else:
        table[key] = _plain(value)
    changed = tomlkit.dumps(document)
    # A table that goes leaves the empty line above it.
    return changed if value is not None or not changed.strip() else changed.rstrip("\n") + "\n"


def _plain(value: float) -> int | float:
    """Return a number as a person writes it: a whole one needs no point."""
    return int(value) if value.is_integer() else value


def _check(text: str, path: Path) -> None:
    """Read settings as they would be read from the file.

    Raises
    ------
    TargetError
        If they are malformed.
    """
    with TemporaryDirectory(prefix="vocheck-") as folder:
        trial = Path(folder) / FILE_NAME
        trial.write_text(text, encoding="utf-8", newline="")
        try:
            load_policy(trial)
        except TargetError as error:
            raise TargetError(str(error).replace(str(trial), str(path))) from error
