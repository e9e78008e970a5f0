"""Inspections of what is not field-tested: reports without a gauge, in the same log."""
