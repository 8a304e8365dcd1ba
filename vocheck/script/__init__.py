"""The script: how long it takes to read, and whether its words were read."""
