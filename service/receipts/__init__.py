"""Receipts of reports, and the page and the paper that show a report."""
