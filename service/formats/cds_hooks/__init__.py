"""CDS Hooks 2.0 in: the chart of a request, and what people answer to cards."""
