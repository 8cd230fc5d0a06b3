"""Arrays in, frozen results out. Pure: no I/O, clock, log or chance; imports no other folder of ours."""
