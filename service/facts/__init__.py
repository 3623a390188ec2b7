"""What follows from the record: flat, typed facts over shared pure arithmetic."""
