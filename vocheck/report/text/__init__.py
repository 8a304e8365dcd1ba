"""What a person reads in the terminal: one module per command, and the style they share."""
