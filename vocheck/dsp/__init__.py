"""Numeric tools that know nothing of limits or verdicts: filters, framing, spectra, decays."""
