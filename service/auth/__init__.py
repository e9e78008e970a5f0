"""Keys, rights and rates: who calls, what they may do, and how often."""
