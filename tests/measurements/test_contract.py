"""What every measurement must honor, run over the whole list without being asked."""

from __future__ import annotations

import importlib
import inspect
import math
import pkgutil
import warnings
from dataclasses import fields, is_dataclass
from string import Formatter
from types import ModuleType

import numpy as np
import pytest

import vocheck.measurements as package
from vocheck.dsp.threads import one_thread
from vocheck.errors import AudioError
from vocheck.measurements import MEASUREMENTS, Measurements, group_name, measure
from vocheck.recording import Recording
from vocheck.results import Group

RATE = 48_000
EACH = pytest.mark.parametrize("module", MEASUREMENTS, ids=group_name)


def noise(seconds: float, channels: int = 1, level_db: float = -20.0) -> np.ndarray:
    rng = np.random.default_rng(1)
    x = rng.standard_normal((round(seconds * RATE), channels)) * 10 ** (level_db / 20)
    return x.astype(np.float32)


def talk(seconds: float = 6.0, rate: int = RATE) -> np.ndarray:
    """Return noise that comes and goes like speech: bursts of a buzz with pauses, over a floor."""
    rng = np.random.default_rng(2)
    t = np.arange(round(seconds * rate)) / rate
    buzz = sum(np.sin(2 * np.pi * 120 * k * t + k) / k for k in range(1, 30))
    syllables = np.clip(np.sin(2 * np.pi * 4 * t), 0, None) * (np.sin(2 * np.pi * 0.4 * t) > -0.4)
    x = 0.05 * buzz * syllables + 3e-4 * rng.standard_normal(len(t))
    return x[:, np.newaxis].astype(np.float32)


UNITS = {
    **{"lufs": "LUFS", "lu": "LU", "dbtp": "dBTP", "dbfs": "dBFS", "db": "dB"},
    **{"s": "s", "ms": "ms", "hz": "Hz", "bits": "bit", "st": "semitones"},
}
"""Unit by the last part of a field's name."""

SIGNALS = {
    "empty": np.zeros((0, 1), np.float32),
    "one sample": np.full((1, 1), 0.5, np.float32),
    "ten samples": np.full((10, 1), 0.5, np.float32),
    "silence": np.zeros((2 * RATE, 1), np.float32),
    "DC": np.full((2 * RATE, 1), 0.25, np.float32),
    "full scale": np.where(np.arange(2 * RATE)[:, np.newaxis] % 100 < 50, 1.0, -1.0).astype("f4"),
    "noise": noise(2.0),
    "talk": talk(),
    "stereo": noise(1.0, 2),
    "5.1": noise(1.0, 6),
    "double": noise(1.0).astype(np.float64),
}


@EACH
def test_rows_are_facts_of_their_group(module: ModuleType):
    """What is shown exists, has digits to show, and carries the unit of its name."""
    group = getattr(module, "".join(part.title() for part in group_name(module).split("_")))
    names = {f.name for f in fields(group)}
    for row in module.ROWS:
        assert row.field in names
        beside = {name for _, name, _, _ in Formatter().parse(row.beside) if name}
        assert beside <= names
        unit = row.field.rpartition("_")[2]
        if unit in UNITS and "per_" not in row.field:  # a rate counts what it names, per that unit
            assert row.unit == UNITS[unit], row


def test_no_two_rows_are_called_the_same():
    """A label tells one number."""
    labels = [row.label for module in MEASUREMENTS for row in module.ROWS]
    assert len(labels) == len(set(labels))


def test_every_module_of_the_package_is_listed():
    """A measurement that is not in Measurements would silently never run."""
    found = {name for _, name, _ in pkgutil.iter_modules(package.__path__)}
    found.remove("every")  # the list itself
    assert found == {group_name(module) for module in MEASUREMENTS}


def test_the_result_has_one_group_per_module_in_the_same_order():
    """A field of Measurements holds what the module of its name measures."""
    recording = Recording(noise(0.1), RATE)
    for group, module in zip(fields(Measurements), MEASUREMENTS, strict=True):
        assert group_name(module) == group.name
        assert type(module.measure(recording)).__name__ == str(group.type)


@EACH
def test_the_docstring_teaches(module: ModuleType):
    """`vocheck explain` prints it: it must say how, whence and how far."""
    text = inspect.getdoc(module) or ""
    assert len(text) > 300
    for word in ("method", "source", "valid"):
        assert word in text.lower(), f"{group_name(module)} does not speak of its {word}"


@EACH
@pytest.mark.parametrize("name", SIGNALS)
def test_any_signal_gives_a_plain_result(module: ModuleType, name: str):
    """Nothing raises, warns or yields NaN, however odd the signal; the input is untouched."""
    samples = SIGNALS[name]
    before = samples.copy()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        result = module.measure(Recording(samples, RATE))
    assert isinstance(result, Group)
    assert is_dataclass(result)
    result.to_dict()  # raises on NaN, +inf and numpy scalars
    assert np.array_equal(samples, before)


@EACH
@pytest.mark.parametrize("name", SIGNALS)
def test_what_is_not_measured_says_why(module: ModuleType, name: str):
    """A None never stands without a reason, and a reason never beside a number."""
    result = module.measure(Recording(SIGNALS[name], RATE))
    for field, reason in result.not_measured.items():
        # -inf is the level of nothing, and may say what there is nothing of
        assert getattr(result, field) in (None, -math.inf)
        assert reason
    missing = {f.name for f in fields(result) if getattr(result, f.name) is None}
    assert missing <= result.not_measured.keys()


@EACH
def test_a_recording_with_nan_never_reaches_a_measurement(module: ModuleType):
    """The recording itself refuses numbers that are none."""
    samples = noise(0.5)
    samples[100] = np.nan
    with pytest.raises(AudioError, match="1 of 24000 frames are not numbers"):
        module.measure(Recording(samples, RATE))


@EACH
@pytest.mark.parametrize("rate", [8_000, 11_025, 22_050, 44_100, 96_000, 192_000])
def test_any_rate_is_measured(module: ModuleType, rate: int):
    """Every rate from telephony to 192 kHz gives a result."""
    module.measure(Recording(talk(3.0, rate), rate)).to_dict()


def numbers(plain: object, prefix: str = "") -> dict[str, float]:
    if isinstance(plain, dict):
        return {
            k: v for key, item in plain.items() for k, v in numbers(item, f"{prefix}.{key}").items()
        }
    if isinstance(plain, list):
        return {
            k: v for i, item in enumerate(plain) for k, v in numbers(item, f"{prefix}[{i}]").items()
        }
    if isinstance(plain, float | int) and not isinstance(plain, bool):
        return {prefix: float(plain)}
    return {}


ABSOLUTE = ("_dbfs", "_lufs", "_dbtp", "channels_dbtp")
GAIN_DB = -20.0


@EACH
def test_gain_moves_absolute_levels_and_nothing_else(module: ModuleType):
    """X dB of gain moves every absolute level by x dB; ratios, times and counts stay."""
    loud = talk()
    gain = np.float32(10 ** (GAIN_DB / 20))
    before = numbers(module.measure(Recording(loud, RATE)).to_dict())
    after = numbers(module.measure(Recording(loud * gain, RATE)).to_dict())
    # A linear fraction of full scale, and the word length, are levels of a kind.
    skipped = ("dc_offset", "used_bits")
    assert before.keys() == after.keys()
    for name, value in before.items():
        if name.rpartition(".")[2] in skipped:
            continue
        leaf = name.partition("[")[0]
        shift = GAIN_DB if leaf.endswith(ABSOLUTE) or name.endswith(ABSOLUTE) else 0.0
        # 0.02 dB: float32 samples and single-precision energies
        assert math.isclose(after[name], value + shift, abs_tol=0.02 + 1e-3 * abs(value)), name


def test_measuring_twice_gives_the_same():
    """No state hides in the shared intermediates."""
    recording = Recording(talk(), RATE)
    assert measure(recording).to_dict() == measure(recording).to_dict()


def test_results_do_not_depend_on_the_order_of_measuring():
    """Each group reads the recording, none another's result."""
    forward = measure(Recording(talk(), RATE)).to_dict()
    recording = Recording(talk(), RATE)
    with one_thread():  # as `measure` does: more of them sum in another order
        backward = {group_name(m): m.measure(recording).to_dict() for m in reversed(MEASUREMENTS)}
    assert forward == {name: backward[name] for name in forward}


def test_measuring_imports_no_heavy_library():
    """librosa, matplotlib and pyloudnorm would cost more than the measuring itself."""
    source = (
        "import sys, numpy as np, vocheck; "
        "vocheck.measure(vocheck.Recording(np.zeros(48000, np.float32), 48000)); "
        "heavy = ('librosa', 'matplotlib', 'pyloudnorm', 'sklearn', 'av'); "
        "print([m for m in heavy if m in sys.modules])"
    )
    import subprocess
    import sys

    done = subprocess.run(
        [sys.executable, "-c", source], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_modules_are_named_like_their_groups():
    """loudness.py holds Loudness, true_peak.py TruePeak: greppable both ways."""
    for module in MEASUREMENTS:
        name = "".join(part.title() for part in group_name(module).split("_"))
        assert issubclass(getattr(importlib.import_module(module.__name__), name), Group)
