"""The numbers: pure functions and small state machines; no I/O, clock, thread or screen."""
