"""Organisations and their keys, and what a testing company sees of a utility."""
