"""Importing this does what the first take of a process would have to wait for.

The server that workers are forked from imports it (`vocheck.session.workers`): libraries, tables
and filter designs are then there in every worker. A second of noise is measured for that, in which
somebody might speak, so that little is left out.
"""

from __future__ import annotations

import numpy as np

from vocheck.recording import Recording
from vocheck.session.take import check_recording


def warm_up(text: str | None = None) -> None:
    """Measure a second of noise, and hold it against `text` where the words matter too."""
    noise = np.random.default_rng(0).standard_normal(48_000).astype(np.float32)
    noise[16_000:32_000] *= 0.001
    check_recording(Recording(noise * np.float32(0.05), 48_000), text=text)


warm_up()
