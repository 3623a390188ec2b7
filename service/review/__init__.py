"""The review: outcomes, facts and profile in; findings, what stays unjudged, and accounts out."""
