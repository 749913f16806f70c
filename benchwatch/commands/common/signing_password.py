"""The password of a signing key: typed on a terminal, or from the environment; never an option."""

import os
import sys
from typing import Final

import click

from benchwatch.errors import UsageError

VARIABLE: Final = "BENCHWATCH_SIGN_PASSWORD"


def ask_password() -> str:
    """Return the password of a key that is there already.

    Raises:
        UsageError: nobody can be asked.
    """
    known = os.environ.get(VARIABLE)
    if known is not None:
        return known
    _need_terminal()
    return str(click.prompt("Password of the signing key", hide_input=True, err=True))


def ask_new_password() -> str:
    """Return a password for a new key, typed twice; empty: the key is not encrypted.

    Raises:
        UsageError: nobody can be asked.
    """
    known = os.environ.get(VARIABLE)
    if known is not None:
        return known
    _need_terminal()
    return str(
        click.prompt(
            "Password for the new signing key (empty: none)",
            default="",
            show_default=False,
            hide_input=True,
            confirmation_prompt=True,
            err=True,
        )
    )


def _need_terminal() -> None:
    if not sys.stdin.isatty():
        raise UsageError(
            f"the signing key has a password, and nobody can be asked for it here: set {VARIABLE}, "
            "or sign on a terminal."
        )
