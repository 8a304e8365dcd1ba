"""Frequency weightings against the tables of their standards."""

from __future__ import annotations

import numpy as np
import pytest

from vocheck.dsp.weighting import power_gain

# Published: IEC 61672-1:2013, Table 3, design goals at the nominal third-octave frequencies, dB.
NOMINAL_HZ = np.array(
    [10, 12.5, 16, 20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800,
     1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000]
)  # fmt: skip
A_DB = np.array(
    [-70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4,
     -10.9, -8.6, -6.6, -4.8, -3.2, -1.9, -0.8, 0.0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1, -1.1,
     -2.5, -4.3, -6.6, -9.3]
)  # fmt: skip
C_DB = np.array(
    [-14.3, -11.2, -8.5, -6.2, -4.4, -3.0, -2.0, -1.3, -0.8, -0.5, -0.3, -0.2, -0.1, 0.0, 0.0, 0.0,
     0.0, 0.0, 0.0, 0.0, 0.0, 0.0, -0.1, -0.2, -0.3, -0.5, -0.8, -1.3, -2.0, -3.0, -4.4, -6.2, -8.5,
     -11.2]
)  # fmt: skip

# Published: ITU-R BS.468-4, Table 1: frequency, response, tolerance up and down, dB.
BS468 = (
    (31.5, -29.9, 2.0, 2.0), (63, -23.9, 1.4, 1.4), (100, -19.8, 1.0, 1.0),
    (200, -13.8, 0.85, 0.85), (400, -7.8, 0.7, 0.7), (800, -1.9, 0.55, 0.55), (1000, 0, 0.5, 0.5),
    (2000, 5.6, 0.5, 0.5), (3150, 9.0, 0.5, 0.5), (4000, 10.5, 0.5, 0.5), (5000, 11.7, 0.5, 0.5),
    (6300, 12.2, 0, 0), (7100, 12.0, 0.2, 0.2), (8000, 11.4, 0.4, 0.4), (9000, 10.1, 0.6, 0.6),
    (10000, 8.1, 0.8, 0.8), (12500, 0, 1.2, 1.2), (14000, -5.3, 1.4, 1.4),
    (16000, -11.7, 1.6, 1.6), (20000, -22.2, 2.0, 2.0), (31500, -42.7, 2.8, np.inf),
)  # fmt: skip


@pytest.mark.parametrize(("weighting", "table_db"), [("A", A_DB), ("C", C_DB)])
def test_iec_61672_design_goals(weighting, table_db):
    """A and C agree with every design goal of the standard."""
    # The goals hold at the exact frequencies 1000 * 10^(n/10) that the nominal ones stand for.
    exact_hz = 1000.0 * 10.0 ** (np.round(10.0 * np.log10(NOMINAL_HZ / 1000.0)) / 10.0)
    response_db = 10.0 * np.log10(power_gain(weighting, exact_hz))
    # Tolerance: the table is rounded to 0.1 dB; 0.002 for the poles' own rounding.
    np.testing.assert_allclose(response_db, table_db, atol=0.052)


@pytest.mark.parametrize(("hz", "table_db", "up", "down"), BS468)
def test_bs_468_table(hz, table_db, up, down):
    """The 468 weighting lies within the recommendation's own tolerance at every point."""
    response_db = 10.0 * float(np.log10(power_gain("468", hz)))
    # 1e-9: at 6.3 kHz the tolerance is zero, because the gain is set there.
    assert table_db - down - 1e-9 <= response_db <= table_db + up + 1e-9


def test_an_unknown_weighting_is_refused():
    """The message names what there is."""
    with pytest.raises(ValueError, match="no weighting 'B': choose from 'Z', 'A', 'C', '468', 'M'"):
        power_gain("B", 1000.0)
