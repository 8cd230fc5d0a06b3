"""Reports and claim files on their way to disk."""
