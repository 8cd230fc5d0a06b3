"""Statistics that know nothing of batteries."""
