"""The command as a person meets it: help, exit status, errors in one line."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from vocheck.cli import COMMANDS, run


def vocheck(*args: str, **kwargs) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "vocheck", *args],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        **kwargs,
    )


def test_help_imports_no_numpy():
    """`vocheck --help` answers at once: nothing heavy is loaded for it."""
    source = (
        "import sys; from vocheck.cli import run; run(['--help']); "
        "print([m for m in ('numpy', 'scipy', 'soundfile') if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", source], capture_output=True, text=True, check=True
    )
    assert done.stderr.strip() == "[]"


def test_the_matrix_library_stays_on_one_thread():
    """Its other threads would spin between short products; a user's own choice stands."""
    code = (
        "import os, sys; from vocheck.cli import main\n"
        "try: main(['--version'])\n"
        "except SystemExit: print(os.environ['OPENBLAS_NUM_THREADS'], file=sys.stderr)"
    )
    for chosen, expected in ((None, "1"), ("3", "3")):
        environment = {k: v for k, v in os.environ.items() if k != "OPENBLAS_NUM_THREADS"}
        if chosen is not None:
            environment["OPENBLAS_NUM_THREADS"] = chosen
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, env=environment
        )
        assert done.stderr.strip() == expected


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_and_needs_no_numpy_for_it(name: str):
    """Each listed command exists, and its own help loads nothing heavy either."""
    source = (
        f"import sys; from vocheck.cli import run; status = run([{name!r}, '--help']); "
        "print(status, 'numpy' in sys.modules, file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", source], capture_output=True, text=True, check=True
    )
    assert done.stderr.strip() == "0 False"
    assert "Usage:" in done.stdout


def test_version():
    """--version prints the version and nothing else."""
    import vocheck as package

    done = vocheck("--version")
    assert done.returncode == 0
    assert done.stdout.strip() == f"vocheck, version {package.__version__}"


@pytest.mark.parametrize("args", [["nosuch"], ["take"], ["take", "--nosuch"], ["take", "no.wav"]])
def test_what_cannot_be_done_exits_with_2(args: list[str]):
    """Bad usage and missing files are status 2, never 1, which means findings."""
    done = vocheck(*args)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


def test_ranking_nothing_claims_nothing():
    """A session of which no take can be read is not told to have a clean take of every line."""
    done = vocheck("rank", "no.wav")
    assert done.returncode == 2
    assert done.stdout.endswith("No take could be ranked.\n")


def test_an_internal_error_is_one_line(monkeypatch: pytest.MonkeyPatch, capsys):
    """No traceback reaches a user; the line says how to see one."""
    import vocheck.cli as cli

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("wires crossed")

    monkeypatch.setattr(cli.group, "main", broken)
    monkeypatch.delenv("VOCHECK_DEBUG", raising=False)
    assert run([]) == 2
    assert capsys.readouterr().err.startswith(
        "vocheck: internal error: RuntimeError: wires crossed"
    )


def test_an_interrupt_exits_with_130(monkeypatch: pytest.MonkeyPatch):
    """Ctrl-C is told apart from failure."""
    import vocheck.cli as cli

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli.group, "main", interrupted)
    assert run([]) == 130


def test_a_reader_that_goes_away_is_no_error():
    """`vocheck ... | head -1` ends quietly."""
    done = subprocess.run(
        f"{sys.executable} -m vocheck explain | head -c 1",
        shell=True,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert done.stderr == ""


def test_shell_completion_lists_the_commands():
    """Completion works for a lazy group too."""
    env = {
        **os.environ,
        "_VOCHECK_COMPLETE": "bash_complete",
        "COMP_WORDS": "vocheck ra",
        "COMP_CWORD": "1",
    }
    done = vocheck(env=env)
    assert "rank" in done.stdout
