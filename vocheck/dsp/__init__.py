"""Numeric tools that know nothing of voices, limits or verdicts: filters, framing, spectra, decays."""
