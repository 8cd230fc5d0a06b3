"""Many banks: peers, and who needs a visit."""
