"""Listens under water and reports loud events."""
