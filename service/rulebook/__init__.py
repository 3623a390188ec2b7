"""Rules and profiles as data: read strictly, checked, bound to an agency's numbers."""
