"""Keeps the survey on a memory stick."""
