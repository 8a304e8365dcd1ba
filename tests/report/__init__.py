"""The renderers."""
