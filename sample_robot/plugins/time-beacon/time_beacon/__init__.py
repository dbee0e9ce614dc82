"""Serves the time to other rafts."""
