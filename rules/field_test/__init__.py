"""A field test: readings in, a verdict out."""
