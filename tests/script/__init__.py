"""How long a script takes, and whether its words were read."""
