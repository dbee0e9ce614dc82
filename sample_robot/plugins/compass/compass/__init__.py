"""Heading from a magnetometer and gyroscope."""
