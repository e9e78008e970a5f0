"""A spreadsheet becomes records."""
