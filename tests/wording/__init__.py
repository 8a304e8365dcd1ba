"""Sentences: what is said of results."""
