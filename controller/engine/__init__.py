"""The sans-IO run engine: events in, effects out. No clock, thread, file or camera in here."""
