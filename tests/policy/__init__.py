"""Tests of the delivery targets."""
