"""Many episodes: reviews line by line, measures, comparison; on all cores or on a cluster."""
