"""What the photographer sees, hears and says: the terminal console, spoken cues, the scripted operator."""
