"""The commands as a person meets them."""
