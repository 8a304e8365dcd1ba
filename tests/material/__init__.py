"""Voices, takes, music and faults that tests, accuracy scripts, benchmarks and training share."""
