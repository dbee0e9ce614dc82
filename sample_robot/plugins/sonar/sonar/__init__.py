"""Depth below the keel by time of flight."""
