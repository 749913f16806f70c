"""The commands, one module each: NAME.py holds the click command NAME.

In: words of the command line. Out: lines on standard output, an exit code. This module imports
no command: each is loaded when it is used. `common` holds what several commands share.
"""

from typing import Final

COMMANDS: Final = {
    "watch": "Watch frequency counters live.",
    "find": "List instruments and the driver that fits.",
    "drivers": "List drivers, show one, try one on a counter.",
    "bench": "Write or check a bench file.",
    "config": "Say your settings and where each comes from; write their file.",
    "journal": "Say what the journal holds; move old runs to an archive.",
    "doctor": "Say what is missing on this computer, and what to do.",
    "units": "List units, show one with its history, make or change one.",
    "visits": "List visits of units; show, close, amend, import, merge, verify, repair.",
    "report": "Write the report on a visit, issue it, verify one.",
    "replay": "Put a recorded file through the same estimate.",
    "stability": "Write the Allan family of a recorded file.",
    "export": "Write recorded readings as CSV, JSON lines or Parquet.",
    "plot": "Write the charts of a visit or a unit as pictures.",
    "budget": "Write the uncertainty budget of a recorded file.",
    "compare": "Compare counters that were watched together.",
    "elsewhere": "Say what an offset becomes at other frequencies.",
    "ageing": "Fit dated offsets and say when the next visit is due.",
    "keep": "Write what stations send to the central record; make it, show it.",
    "relay": "Benches elsewhere: make the files of broker, keeper, desk and stations.",
    "simulate": "Serve a simulated bench until interrupted.",
    "schema": "Print the JSON schemas of files and of the JSON lines.",
    "manual": "Show the manual page.",
    "completion": "Print the script that lets a shell complete words.",
}
"""Name and one line of help of each command, in the order in which a newcomer needs them. The list
in ``--help``, the shell's completion and the table of the docs are made from it."""
