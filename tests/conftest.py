"""What all tests share: nothing that was measured before is taken from anywhere; a quick set."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

# No folder can be made inside a device, so nothing is kept and nothing found. Tests of the cache
# name a folder of their own.
os.environ["VOCHECK_CACHE"] = os.path.join(os.devnull, "none")
os.environ["VOCHECK_STATE"] = os.path.join(os.devnull, "none")

QUICK = (
    *("audio/test_tags.py", "audio/test_broadcast_wav.py"),
    *("booth/test_linelog.py", "commands/test_explain.py", "commands/test_targets.py"),
    *("conformance/test_tech3342.py", "conformance/test_p56.py", "conformance/test_weighting.py"),
    *("desk/test_board.py", "desk/test_serve.py"),
    *("dsp/test_helpers.py", "dsp/test_octaves.py", "dsp/test_regression.py"),
    *("dsp/test_spectrogram.py", "voice/test_cepstra.py", "voice/test_pitch.py"),
    *("edit/test_timecode.py", "edit/test_joins.py", "edit/test_timeline.py"),
    *("mix/test_meters.py", "policy/test_delivery.py", "policy/test_malformed.py"),
    "mix/test_limiter.py",
    *("policy/test_shipped.py", "policy/test_judging.py", "mix/test_judging.py"),
    *("report/test_csv.py", "report/test_text.py"),
    *("room/test_summary.py", "script/test_script.py", "session/test_each.py"),
    "survey/test_summary.py",
    "passes/test_split.py",
    *("takes/test_order.py", "takes/test_differences.py", "takes/test_phrases.py"),
    *("test_cli.py", "test_files.py", "test_judge.py", "test_recording.py", "test_results.py"),
    *("test_session.py", "test_import_contract.py"),
)
"""Files of which the first case of each test is in the quick set: some of every room."""

LONG = (
    "test_a_take_with_a_word_missing_does_not_win",
    "test_the_dropped_word_of_the_demo_is_found_and_nothing_else",
    "test_the_comp_sheet_says_which_word_is_missing",
    "test_a_session_goes_on_when_a_take_crashes",
)
"""Tests of those files that take several seconds: not in the quick set."""

EVERY_MEASUREMENT = "test_gain_moves_absolute_levels_and_nothing_else"
"""In the quick set with all its cases."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the quick set: ``-m quick``."""
    here = Path(__file__).parent
    seen: set[tuple[str, str]] = set()
    for item in items:
        file = item.path.relative_to(here).as_posix()
        function = item.name.partition("[")[0]
        first = file in QUICK and function not in LONG and (file, function) not in seen
        seen.add((file, function))
        if first or function == EVERY_MEASUREMENT:
            item.add_marker(pytest.mark.quick)


@pytest.fixture(scope="session")
def browser() -> Iterator[object]:
    """Return headless Chromium, driven by Playwright."""
    from playwright.sync_api import sync_playwright

    from tests.report.browser import chromium

    path, variables = chromium()
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=path,
            env={**os.environ, **variables},
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-background-networking",
                "--disable-component-update",
                "--autoplay-policy=no-user-gesture-required",
            ],
        )
        yield started
        started.close()
