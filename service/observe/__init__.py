"""What the service says about itself, log lines and metrics with allowed fields only: nothing of what it reads."""
