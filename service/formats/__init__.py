"""The formats of other standards, read and written: each value with the place in the document it came from.

A reader is pure: bytes in; an episode, the places, and notices out. From there
on a chart goes the way of any episode. What a format has no place for is a
table of its own (``carried``), and codes are data with their source.
"""
