"""Tests of the final mix."""
