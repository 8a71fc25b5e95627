"""Pure functions over arrays: the air. No input or output here."""
