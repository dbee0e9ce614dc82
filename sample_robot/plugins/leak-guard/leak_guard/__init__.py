"""Watches the bilge for water and raises the alarm."""
