"""Drivers for families of counters, one module a dialect."""
