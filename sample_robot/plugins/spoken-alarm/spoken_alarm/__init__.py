"""Speaks alarms through the deck speaker."""
