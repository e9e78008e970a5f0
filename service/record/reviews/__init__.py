"""Held reports, and what a person at the utility decides of each."""
