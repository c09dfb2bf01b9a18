"""Pictures and the frames of a journal brought together: read, matched, and described in sidecars."""
