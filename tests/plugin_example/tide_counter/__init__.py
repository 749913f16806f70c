"""A driver in a distribution of its own, as an example and as a test of discovery."""
