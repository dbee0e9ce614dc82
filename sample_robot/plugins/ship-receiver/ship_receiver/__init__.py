"""Positions of other vessels from an AIS receiver board."""
