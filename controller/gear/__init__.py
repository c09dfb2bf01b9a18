"""What the gear can do: how fast a camera body goes and what it lists."""
