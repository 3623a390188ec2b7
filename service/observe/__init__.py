"""What the service says about itself: allow-listed log lines, nothing of what it reads."""
