"""Daylight and obstacles ahead from the bow camera."""
