"""The yearly summary, of one utility and over several."""
