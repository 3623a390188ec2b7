"""Reviews, the rulebook, formats and measures as people read them: in a browser, on paper, in a terminal."""
