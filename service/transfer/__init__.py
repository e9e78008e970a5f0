"""Export of everything that a utility owns, and its restoring."""
