"""Watches the battery, warns, and powers off in time."""
