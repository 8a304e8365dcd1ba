"""How far a survey is, in one line."""

from __future__ import annotations

from vocheck.survey.run import Progress


def progress_line(progress: Progress, took_s: float) -> str:
    """Return how much is done and how long the rest will take.

    Time goes with the bytes that are read: recordings differ in length.

    Parameters
    ----------
    progress : Progress
    took_s : float
        Since the first recording was handed out.
    """
    done, total = progress.done, progress.total
    parts = [f"{done.recordings} of {total.recordings} recordings"]
    if progress.failed:
        parts.append(f"{progress.failed} not measured")
    if done.recordings < total.recordings and done.size_bytes and took_s > 0.0:
        left = total.size_bytes - done.size_bytes
        parts.append(f"{roughly(took_s * left / done.size_bytes)} left")
    return ", ".join(parts)


def roughly(seconds: float) -> str:
    """Return a time as people plan by: ``40 s``, ``12 min``, ``3 h 20 min``, ``2 d 5 h``."""
    minutes = round(seconds / 60)
    if seconds < 90:
        return f"{round(seconds)} s"
    if minutes < 90:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min"
    return f"{hours // 24} d {hours % 24} h"
