"""One module per command: parse, call, render, exit status. Heavy imports stay inside."""
