"""The schema and its revisions."""
