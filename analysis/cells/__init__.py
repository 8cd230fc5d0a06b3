"""Cells over many days: how far behind, why, and until when."""
