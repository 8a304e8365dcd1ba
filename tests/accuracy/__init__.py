"""Scripts that measure how far results can be trusted; each writes a section of a docs page."""
