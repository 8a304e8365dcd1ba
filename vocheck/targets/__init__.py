"""Delivery targets and recording limits: TOML data, every number with its source and status."""
