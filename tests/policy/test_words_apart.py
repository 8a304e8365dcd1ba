"""Numbers in a sentence that differ do not read alike."""

import pytest

from vocheck.policy.words import fill, told_apart

TEXT = "noise at {value:.0f} dBFS, limit {limit:.0f}"


@pytest.mark.parametrize(
    ("value", "limit", "told"),
    [
        (-52.0, -60.0, "noise at -52 dBFS, limit -60"),
        (-59.8, -60.0, "noise at -59.8 dBFS, limit -60.0"),
        (-59.97, -60.0, "noise at -59.97 dBFS, limit -60.00"),
        (-59.99999, -60.0, "noise at -60.000 dBFS, limit -60.000"),
        (-60.0, -60.0, "noise at -60 dBFS, limit -60"),
    ],
)
def test_decimals_are_added_until_value_and_limit_differ(value, limit, told):
    """Three at most: what differs less is alike for every purpose."""
    assert fill(told_apart(TEXT, value, limit), value=value, limit=limit) == told


def test_other_texts_are_left_alone():
    """A text without both, or numbers of another form, stays as it is."""
    for text in ("only {value:.0f}", "{value:.2%} and {limit}", "none"):
        assert told_apart(text, -59.8, -60.0) == text
    assert told_apart(TEXT, None, -60.0) == TEXT
