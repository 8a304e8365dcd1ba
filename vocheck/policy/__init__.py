"""Judgements: every number that decides, with its source, and the engine that holds facts to it."""
