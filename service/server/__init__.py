"""The server process: gunicorn with our settings, its addresses, its workers, its health."""
