"""Live early warnings and their ways to people."""
