"""Notices: their schedule, the runs that prepare them, and what became of each."""
