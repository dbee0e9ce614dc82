"""Side and stern lights of the raft as one string of addressable LEDs."""
