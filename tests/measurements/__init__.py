"""One file per measurement, and the contract of all."""
