"""Photo-based assembly verification for a rebuilt soft-serve freezer."""

__version__ = "0.1.0"
