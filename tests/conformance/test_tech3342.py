"""EBU Tech 3342 (2023), Table 1: the minimum requirements of a loudness range meter.

Expected readings and the tolerance of +-1 LU are published. The readings here are exact by the
algorithm, so they are held to 0.1 LU. Rows 5 and 6 are real programmes that only the EBU
distributes.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.conformance.meters import loudness
from tests.conformance.signals import RATES, tone

ROWS = {
    1: ([(20, -20), (20, -30)], 10.0),
    2: ([(20, -20), (20, -15)], 5.0),
    3: ([(20, -40), (20, -20)], 20.0),
    4: ([(20, -50), (20, -35), (20, -20), (20, -35), (20, -50)], 15.0),
}


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("row", ROWS)
def test_rows_1_to_4(rate: int, row: int) -> None:
    """The loudness range of steps between tones is the step, softer ends gated out."""
    parts, range_lu = ROWS[row]
    assert loudness(tone(rate, parts), rate).range_lu == pytest.approx(range_lu, abs=0.1)


def test_percentiles_of_many_levels() -> None:
    """The range of 21 s of rising tones is what the standard's own listing computes.

    The expected value is a closed form: the listing (Tech 3342, section 3) applied to the known
    short-term loudness of the tones, 3 s windows every 0.1 s and 1.5 s of silence at the end.
    """
    rate = 48000
    levels = np.linspace(-38.0, -18.0, 21)
    power = np.repeat(10.0 ** (levels / 10.0), 10)
    padded = np.concatenate((power, np.zeros(15)))
    windows = np.lib.stride_tricks.sliding_window_view(padded, 30).mean(axis=1)
    kept = np.sort(windows[windows >= windows.mean() / 100.0])
    low, high = (kept[int(np.floor((len(kept) - 1) * p / 100 + 1.5)) - 1] for p in (10, 95))
    reading = loudness(tone(rate, [(1.0, level) for level in levels]), rate)
    # The filter's settling at each step moves a window by up to 0.01 LU.
    assert reading.range_lu == pytest.approx(10.0 * np.log10(high / low), abs=0.02)


def test_range_is_withheld_below_a_minute() -> None:
    """Below 60 s the range is given only on request, and the reason is stated."""
    reading = loudness(tone(48000, [(20, -20), (20, -30)]), 48000)
    withheld = reading.summary()
    assert withheld.range_lu is None
    assert "60 s" in withheld.not_measured["range_lu"]
    assert reading.summary(range_of_short=True).range_lu == pytest.approx(10.0, abs=0.1)


def test_range_is_given_from_a_minute_on() -> None:
    """A recording of 60 s has a loudness range."""
    summary = loudness(tone(48000, [(30, -20), (30, -30)]), 48000).summary()
    assert summary.range_lu == pytest.approx(10.0, abs=0.1)
    assert "range_lu" not in summary.not_measured
