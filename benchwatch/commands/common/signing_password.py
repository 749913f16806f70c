"""The password of a signing key: typed on a terminal, or from the environment; never an option."""

import os
import sys
from typing import Any, Final

import click

from benchwatch.errors import UsageError

VARIABLE: Final = "BENCHWATCH_SIGN_PASSWORD"


def ask_password() -> str:
    """Return the password of a key that is there already.

    Raises:
        UsageError: nobody can be asked.
    """
    return _known_or_typed("Password of the signing key")


def ask_new_password() -> str:
    """Return a password for a new key, typed twice; empty: the key is not encrypted.

    Raises:
        UsageError: nobody can be asked.
    """
    return _known_or_typed(
        "Password for the new signing key (empty: none)",
        default="",
        show_default=False,
        confirmation_prompt=True,
    )


def _known_or_typed(question: str, **prompt: Any) -> str:
    """Return the password that the environment has, else the answer typed on a terminal."""
    known = os.environ.get(VARIABLE)
    if known is not None:
        return known
    _need_terminal()
    return str(click.prompt(question, hide_input=True, err=True, **prompt))


def _need_terminal() -> None:
    if not sys.stdin.isatty():
        raise UsageError(
            f"the signing key has a password, and nobody can be asked for it here: set {VARIABLE}, "
            "or sign on a terminal."
        )
