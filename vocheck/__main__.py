"""Run the command line with ``python -m vocheck``."""

from vocheck.cli import main

main()
