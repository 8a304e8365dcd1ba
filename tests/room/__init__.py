"""The booth, measured by a clap, a sweep or its own noise."""
