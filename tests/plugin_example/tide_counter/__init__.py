"""A driver outside the house, as an example and as a test that outsiders are found."""
