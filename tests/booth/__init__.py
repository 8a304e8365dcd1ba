"""A session while it is recorded: the folder, the log, the page, the state."""
