"""The tests, mirroring the package; see DEVELOPERS.md."""
