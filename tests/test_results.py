"""Results as plain data."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass

import pytest

import vocheck
from vocheck.results import Group, Result, to_plain


@dataclass(frozen=True)
class Place(Result):
    time_s: float


@dataclass(frozen=True, kw_only=True)
class Facts(Group):
    level_dbfs: float | None
    places: tuple[Place, ...] = ()
    gated: bool | None = None


def test_a_result_is_plain_data_under_its_field_names():
    """Nested results, tuples and booleans come out as JSON knows them."""
    plain = Facts(level_dbfs=-20.0, places=(Place(1.5),), gated=True).to_dict()
    assert plain == {"level_dbfs": -20.0, "places": [{"time_s": 1.5}], "gated": True}
    assert json.loads(json.dumps(plain, allow_nan=False)) == plain


def test_silence_is_null_with_its_reason():
    """-inf in Python, null in JSON, and the reason says which kind of nothing it is."""
    facts = Facts(level_dbfs=-math.inf, not_measured={"gated": "no pause"})
    assert facts.to_dict()["level_dbfs"] is None
    assert facts.reasons() == {"level_dbfs": "silence", "gated": "no pause"}


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_number_that_is_none_is_refused(value: float):
    """A NaN in a result is a fault of the measurement and must not travel."""
    with pytest.raises(ValueError, match="a result may not hold"):
        Facts(level_dbfs=value).to_dict()


def test_an_unknown_kind_of_value_is_refused():
    """Numpy scalars and arrays would break JSON later, far from their origin."""
    with pytest.raises(TypeError, match="a result may not hold a set"):
        to_plain({1})


@pytest.mark.parametrize("name", vocheck.__all__)
def test_every_public_name_can_be_had(name: str):
    """What the package promises it holds."""
    assert getattr(vocheck, name) is not None


def test_an_unknown_public_name_is_an_attribute_error():
    """Lazy loading keeps Python's own manners."""
    with pytest.raises(AttributeError, match="no attribute 'nosuch'"):
        _ = vocheck.nosuch
