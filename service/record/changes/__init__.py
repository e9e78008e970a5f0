"""The change feed: every committed change of a utility once, in order."""
