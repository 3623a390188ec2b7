"""restraint-review: a second reader for the chart of a restrained patient."""

__version__ = "0.2.0"
