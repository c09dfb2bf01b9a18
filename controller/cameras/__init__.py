"""Cameras behind one Protocol: simulated, and tethered through libgphoto2. One process per camera."""
