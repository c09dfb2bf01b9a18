"""The live driver: the real clock, one process per camera, cues and wake-ups, signals, resume."""
