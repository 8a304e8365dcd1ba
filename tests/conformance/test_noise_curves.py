"""Noise criteria: NC against the table that it was taken from, NR against its closed form."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tests.material import outside, packages
from vocheck.policy.noise_curves import nc, nc_curves, nr, source_of

# Closed form: NR rows computed from the coefficients of ISO/R 1996, rounded to 0.1 dB.
NR_20 = {
    **{31.5: 69.0, 63.0: 51.2, 125.0: 39.4, 250.0: 30.6, 500.0: 24.3},
    **{1000.0: 20.0, 2000.0: 16.8, 4000.0: 14.4, 8000.0: 12.6},
}


@pytest.mark.outside
def test_the_curves_are_those_that_another_package_carries() -> None:
    """Ours was taken from the module `criterion` of acoustics 0.2.6: no number was lost on the way.

    This proves nothing about that table; `test_the_curves_are_those_of_the_handbook` does.
    """
    source = outside.fetch(packages.ACOUSTICS) / "acoustics-0.2.6" / "acoustics" / "criterion.py"
    assert nc_curves() == tables_in(source)


def test_the_curves_are_those_of_the_handbook() -> None:
    """Beranek's NC curves as handbooks of acoustics print them, 63 Hz to 8 kHz (from memory)."""
    printed = {
        20.0: (51, 40, 33, 26, 22, 19, 17, 16),
        35.0: (60, 52, 45, 40, 36, 34, 33, 32),
        50.0: (71, 64, 58, 54, 51, 49, 48, 47),
        65.0: (80, 75, 71, 68, 66, 64, 63, 62),
    }
    for number, levels in printed.items():
        assert tuple(nc_curves()[number].values()) == levels


def tables_in(source: Path) -> dict[float, dict[float, float]]:
    """Return NC_CURVES as the source file spells it, without importing the package."""
    bands = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
    for node in ast.walk(ast.parse(source.read_text())):
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "NC_CURVES":
            assert isinstance(node.value, ast.Dict)
            return {
                float(ast.literal_eval(key)): dict(
                    zip(bands, ast.literal_eval(value.args[0]), strict=True)
                )
                for key, value in zip(node.value.keys, node.value.values, strict=True)
                if key is not None and isinstance(value, ast.Call)
            }
    raise AssertionError("no table found")


@pytest.mark.parametrize("number", [20.0, 35.0, 70.0])
def test_a_curve_rates_as_itself(number: float) -> None:
    """Closed form: no band exceeds the curve, every band touches it."""
    found = nc(nc_curves()[number])
    assert found is not None
    assert found.value == number
    assert found.bound is None


def test_one_band_over_the_curve_sets_the_class() -> None:
    """Tangent method, closed form: 2 of 5 dB over NC-20 at 250 Hz is class 22.5, rounded up."""
    levels = dict(nc_curves()[20.0])
    levels[250.0] += 2.0
    found = nc(levels)
    assert found is not None
    assert (found.value, found.decisive_hz) == (23, 250.0)


def test_quieter_or_louder_than_every_curve_is_told_as_a_bound() -> None:
    """Outside the tables only a bound is known."""
    quiet = nc({band: level - 6.0 for band, level in nc_curves()[15.0].items()})
    loud = nc({band: level + 6.0 for band, level in nc_curves()[70.0].items()})
    assert quiet is not None
    assert loud is not None
    assert (quiet.value, quiet.bound) == (15, "at most")
    assert (loud.value, loud.bound) == (70, "at least")


def test_nr_20_rates_as_20() -> None:
    """Published row; the rating is the same in every band to the rounding of the row."""
    found = nr(NR_20)
    assert found is not None
    assert found.value == 20


def test_nr_is_the_level_at_1_khz() -> None:
    """Closed form: a = 0 and b = 1 at 1 kHz, so 33 dB there alone is NR 33."""
    levels = dict.fromkeys(NR_20, -20.0) | {1000.0: 33.0}
    found = nr(levels)
    assert found is not None
    assert (found.value, found.decisive_hz) == (33, 1000.0)


def test_missing_bands_give_no_class() -> None:
    """A recording at 8 kHz ends at 4 kHz: no class rather than a guess."""
    levels = {band: 20.0 for band in NR_20 if band < 4000.0}
    assert nc(levels) is None
    assert nr(levels) is None


def test_the_tables_name_their_source() -> None:
    """Every table says where it is published."""
    assert "Beranek" in source_of("nc")
    assert "1996" in source_of("nr")
