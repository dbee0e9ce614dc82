"""Work light over the deck."""
