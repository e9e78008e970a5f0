"""Standings: worked out from the reports, listed, and read for a past day."""
