"""The screen in a browser: one watch, any number of pages that look at it."""
