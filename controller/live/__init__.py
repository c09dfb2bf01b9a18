"""live."""
