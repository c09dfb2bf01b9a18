"""The journal: append-only, chained, flushed to disk before the effect it announces."""
