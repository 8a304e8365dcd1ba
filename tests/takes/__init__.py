"""Takes of a line against each other: ranking, comp, match."""
