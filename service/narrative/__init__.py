"""What the narrative says: text in, hits of declared families of phrases out. Knows nothing of the record."""
