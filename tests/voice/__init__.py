"""What knows voices, against labelled speech and reference implementations."""
