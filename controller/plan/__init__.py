"""The plan: what the photographer wants, in YAML, checked as a whole before anything acts."""
