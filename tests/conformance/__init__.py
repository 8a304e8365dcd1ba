"""One file per published standard, reading like its own tables."""
