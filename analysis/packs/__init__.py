"""Packs and the bank over many days: energy, efficiency, cold, capacity, sensors, sharing."""
