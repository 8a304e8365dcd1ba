"""Pure renderers: results in, text or bytes out."""
