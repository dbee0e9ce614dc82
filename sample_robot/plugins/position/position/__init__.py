"""Position, speed and time from a GNSS receiver."""
