"""Attacks: what must never happen, whatever is given."""
