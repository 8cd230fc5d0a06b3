"""Arrays in, frozen results out. Pure: no I/O, clock, logging or randomness; imports no other folder of ours."""
