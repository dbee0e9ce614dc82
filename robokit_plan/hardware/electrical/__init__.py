"""Circuits of one assignment: currents, levels, states at boot, hazards; pure."""
