"""account."""
