"""Which software, and which behaviours go together; pure."""
