"""A session of takes: which file is which take of which line, and each measured once."""
