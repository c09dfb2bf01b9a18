"""The simulation driver: virtual time, simulated cameras, a scripted operator, the same engine."""
