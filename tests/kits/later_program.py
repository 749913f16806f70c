"""Runs a command of the program as if it were later: ``later_program.py SECONDS COMMAND...``."""

import sys
import time

LATER_S = float(sys.argv.pop(1))
now = time.time
time.time = lambda: now() + LATER_S  # before the program binds it

from benchwatch.cli import main  # noqa: E402 - the clock is set first

main()
