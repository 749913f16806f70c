"""Modules of the standard library that not every system has."""

import importlib
from typing import Any


def optional_module(name: str) -> Any:
    """Import and return a module such as ``fcntl``; None: this system has no such module."""
    try:
        return importlib.import_module(name)
    except ImportError:
        return None
