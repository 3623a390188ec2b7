"""What the narrative says, by declared families: text in, hits out. Knows nothing of the record."""
