"""CDS Hooks 2.0: reading the chart of a request, and what people answer to cards."""
