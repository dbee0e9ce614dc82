"""Drives the port and starboard thrusters, and stops them when commands stay away."""
