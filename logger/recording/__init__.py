"""From sources to the record, for years: the clock, the buffer, the recorder, the service."""
