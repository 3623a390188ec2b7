"""Quantities, times, places and labels in en-US words, the same in every representation."""
