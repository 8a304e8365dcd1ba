"""Timelines, assemblies and slots."""
