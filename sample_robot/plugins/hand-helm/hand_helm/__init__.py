"""Steers the raft by joystick."""
