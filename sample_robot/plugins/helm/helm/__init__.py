"""Steers the raft along way-points and keeps it off the shore."""
