"""Reads messages from the shore aloud."""
