"""File formats: text -> values -> text; pure, so whoever has the text can read it."""
