"""The formats of other standards, read and written: each value with the place in the document it came from."""
