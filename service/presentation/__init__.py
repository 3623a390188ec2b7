"""One module for every representation of a review."""
