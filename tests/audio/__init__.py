"""How sound files and codecs are opened, written and stamped."""
