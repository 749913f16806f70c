"""How long a transfer waits: for answers, between looks at the journal, after a refusal."""

from typing import Final

PATIENCE_S: Final = 3.0
LONGEST_PATIENCE_S: Final = 5.0
"""Wait for an answer: at first, and at most, as it grows with each that does not come."""
LOOK_S: Final = 2.0
LOOK_A_RUN_S: Final = 0.3
LONGEST_LOOK_S: Final = 5.0
SEND_WITHIN_S: Final = 20.0
"""Time between two looks at the journal while all is well: a reading is sent within it. Each look
costs a wake-up of three threads and a batch a run, however little is new."""
MANY_EVENTS: Final = 50
"""So many new readings for each run that this program writes are sent sooner."""
EARLIER_RUNS_S: Final = 60.0
"""Time between two looks for runs that another program wrote, and has ended."""
ASK_AGAIN_S: Final = 300.0
"""Time after which the keeper is asked anew: a record that was set back to a backup may have lost
what nothing else is sent after."""
REST_S: Final = 3600.0
"""Time until a refused batch is tried again."""


def shortest_look_s(own_runs: int) -> float:
    """Return the time between two looks at the journal while many events are new, or unsent.

    It is some, and more for each run that this program writes, up to a longest. A batch costs about
    the same with one reading as with fifty, and the watch itself must not notice that it is sent.
    """
    return min(LOOK_S + LOOK_A_RUN_S * max(own_runs - 1, 0), LONGEST_LOOK_S)
