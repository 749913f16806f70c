"""What a run keeps beside its readings, for a run that goes on with it (see `resume`)."""

import json
from collections.abc import Callable

from benchwatch.journal.resume import KEPT_BY_ITSELF, PULL, Sample
from benchwatch.reading import Note
from benchwatch.snapshot import Happening


class RunNotes:
    """Writes the notes of one run, and what touches of the tool showed, when they are new.

    Args:
        counter: name of the counter.
        write: puts a note in the journal.
        samples: what touches showed in the run that this one goes on with, as it is there.
    """

    def __init__(
        self, counter: str, write: Callable[[Note], None], samples: tuple[Sample, ...] = ()
    ) -> None:
        self._counter, self._write, self._samples = counter, write, samples
        self._looked_at: object = None
        """The state of the tool when its samples were looked at last."""

    def happened(self, happening: Happening) -> None:
        """Keep a note, unless it is in the journal already as an event of its own."""
        if happening.kind in {"mark", "gap", "record"}:
            return
        nudge = happening.nudge
        sized = None if nudge is None else {"size": nudge.size, "u": nudge.u}
        document = json.dumps({"text": happening.text, "nudge": sized})
        self._put(happening.utc_s, happening.elapsed_s, happening.kind, document)

    def kept_by_itself(self, utc_s: float, elapsed_s: float) -> None:
        """Keep of the as found before it that nobody asked for it."""
        self._put(utc_s, elapsed_s, KEPT_BY_ITSELF, "{}")

    def pull(
        self,
        state: object,
        samples: Callable[[], tuple[Sample, ...]],
        utc_s: float,
        elapsed_s: float,
    ) -> None:
        """Keep what touches of the tool showed when it has changed.

        Args:
            state: of the tool; the same object as long as nothing was learned.
            samples: gives them, when they are needed.
            utc_s: of the newest reading or touch, Unix seconds.
            elapsed_s: of the same, seconds of the run.
        """
        if state is self._looked_at:
            return
        self._looked_at, newest = state, samples()
        if newest and newest != self._samples:
            self._samples = newest
            self._put(utc_s, elapsed_s, PULL, json.dumps({"samples": newest}))

    def _put(self, utc_s: float, elapsed_s: float, kind: str, document: str) -> None:
        self._write(Note(self._counter, utc_s, elapsed_s, kind, document))
