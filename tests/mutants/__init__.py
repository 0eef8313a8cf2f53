"""A seeded sample of small wrong changes to the package, each to be noticed by the tests that run its line."""
