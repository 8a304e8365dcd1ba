"""Numeric tools against closed forms."""
