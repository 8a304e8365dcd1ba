"""Maintainers' tools that fit the coefficients shipped with the package; not part of it."""
