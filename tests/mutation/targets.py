"""The modules whose tests are tried, and the tests that must notice a change of each.

Tests that need no sound come first: they answer in a second, and the first failure ends a run.
"""

from __future__ import annotations

_MARKERS = "tests/report/test_markers.py"
_CACHE = "tests/session/test_cache.py"

TARGETS: dict[str, tuple[str, ...]] = {
    "policy/judge": ("tests/policy/test_judging.py",),
    "policy/costs": ("tests/policy/test_costs.py", "tests/takes/test_order.py"),
    "policy/delivery": ("tests/policy/test_delivery.py",),
    "policy/destinations": (
        "tests/policy/test_destinations.py",
        "tests/policy/test_delivery.py",
        "tests/policy/test_facts_of_targets.py",
    ),
    "takes/rank": ("tests/takes/test_order.py",),
    "takes/match": ("tests/takes/test_differences.py",),
    "takes/comp": ("tests/takes/test_phrases.py",),
    "mix/judge": ("tests/mix/test_judging.py",),
    "report/csv": ("tests/report/test_csv.py",),
    "report/json": ("tests/report/test_text.py",),
    "report/text/take": ("tests/report/test_text.py",),
    "report/text/match": ("tests/report/test_text.py",),
    "report/text/comp": ("tests/report/test_text.py",),
    "report/markers": (
        f"{_MARKERS}::test_a_time_is_hours_minutes_seconds_and_thousandths",
        f"{_MARKERS}::test_a_cue_is_shown_for_half_a_second",
        f"{_MARKERS}::test_a_message_cannot_end_its_cue_or_mark_it_up",
        f"{_MARKERS}::test_markers_come_in_the_order_of_time",
        f"{_MARKERS}::test_places_under_the_picture_begin_where_a_line_goes_over",
    ),
    "audio/broadcast_wav": (
        "tests/audio/test_broadcast_wav.py",
        f"{_MARKERS}::test_the_copy_sounds_the_same_and_the_source_is_untouched",
        f"{_MARKERS}::test_old_markers_are_replaced",
    ),
    "audio/metadata": ("tests/audio/test_metadata.py",),
    "audio/riff": ("tests/audio/test_riff.py", "tests/audio/test_broadcast_wav.py"),
    "session/cache": (_CACHE, "-k", "not commands and not workers and not measured"),
    "room/__init__": ("tests/room/test_summary.py",),
    "room/bands": ("tests/room/test_summary.py",),
    "room/positions": ("tests/room/test_summary.py",),
}

EQUIVALENT: dict[str, dict[tuple[str, str], str]] = {
    "room/__init__": {
        (
            "if 0 < len(responses) < _ENOUGH and any(band.valid for band in measured):",
            "Lt becomes LtE",
        ): "without a response no band is measured",
    },
    "room/positions": {
        (
            'compare = {"words": _words, "impulse": _impulses, "room tone": _tones}[kinds[0]]',
            "0 becomes 1",
        ): "both kinds are the same here",
        ("kind=kinds[0],", "0 becomes 1"): "both kinds are the same here",
    },
    "audio/metadata": {
        ("parser.buffer_text = True", "True becomes False"): "it only saves calls",
    },
    "takes/match": {
        (
            "difference = take - reference if np.isfinite(reference - take) else None",
            "Sub becomes Add",
        ): "of levels only minus infinity is not finite: sum and difference are finite alike",
        (
            "inside = [step for hz, step in steps.items() if centre / 1.5 < hz < centre * 1.5]",
            "Lt becomes LtE",
        ): "no third octave lies on that edge",
    },
}
"""Changes that nobody could notice: by module, (line, change) and why. They are never drawn."""
