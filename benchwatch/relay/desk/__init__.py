"""What a desk receives: which stations and counters there are, and their live lines as readings."""
