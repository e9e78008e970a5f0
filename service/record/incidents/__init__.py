"""Backflow incidents, and exceptions from testing."""
