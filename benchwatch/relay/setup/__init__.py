"""Writes what a secured broker needs: its configuration, the access list, a small authority."""
