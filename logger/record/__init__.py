"""The record: hot rows, sealed days in a chain, digests; opened, checked, copied, repaired."""
