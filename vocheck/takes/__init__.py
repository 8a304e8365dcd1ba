"""Takes against each other: ranking, phrase by phrase, and a pickup against its reference."""
