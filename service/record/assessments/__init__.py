"""Hazard assessments of premises."""
