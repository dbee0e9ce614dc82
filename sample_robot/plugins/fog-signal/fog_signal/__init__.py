"""Fog horn and alarm sound through the deck speaker."""
