"""What the narrative says: text in, hits of declared families of wordings out. Knows nothing of the record."""
