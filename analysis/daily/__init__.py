"""One day of one pack: cleaned, summed, and observed. Everything here ends up in a `DayDigest`."""
