"""Names, notes, the cache, and one session from files to facts."""
