"""simulate."""
