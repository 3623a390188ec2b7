"""What every representation says things with: quantities, times, places and labels in words, limits as numbers."""
