"""One module a command: its arguments, and what it does. What it needs is imported when it runs."""
