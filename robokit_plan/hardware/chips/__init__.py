"""Controllers beside the board: what goes together on their chips, and how they are found; pure."""
