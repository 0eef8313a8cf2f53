"""Pure functions from model to model: what stands where, gaps, space, route, windows. No I/O, no clock."""
