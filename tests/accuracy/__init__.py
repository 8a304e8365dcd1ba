"""Scripts that measure how far the results can be trusted; each writes a section of docs/accuracy.md."""
