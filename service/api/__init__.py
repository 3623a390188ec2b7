"""The HTTP side: the only place that knows Flask."""
