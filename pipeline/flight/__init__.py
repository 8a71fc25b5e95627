"""Pure functions over arrays: the aircraft, its figures and the routine."""
