"""Make everything in the documentation that a program makes, except what is measured.

``python docs/make.py`` writes the lists of measurements (`make_tables.py`), the transcripts
(`make_transcripts.py`), the pictures of pages and sheets (`make_pages.py`), the session in the
booth (`make_watch.py`) and the desk (`make_desk.py`); all but the first from the demo session. The
tables of what was measured are written by the scripts named above them.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
SCRIPTS = (
    "make_tables.py",
    "make_transcripts.py",
    "make_pages.py",
    "make_watch.py",
    "make_desk.py",
)


def main() -> None:
    """Run each script in a process of its own."""
    for script in SCRIPTS:
        subprocess.run([sys.executable, HERE / script], check=True)


if __name__ == "__main__":
    main()
