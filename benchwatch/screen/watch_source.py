"""Interfaces that the screen uses: counters to show, and controls of trimmer, sound, playback."""

from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Protocol

from benchwatch.plan import Setting, VisitChange
from benchwatch.quantity import OffsetUnit
from benchwatch.reading import RecordKind
from benchwatch.snapshot import ComparisonNow, Playback, Snapshot, Trace


class CounterHandle(Protocol):
    """One counter: its state, and what the operator can do to it.

    Every method returns at once and may be called ten times a second.
    """

    @property
    def takes_commands(self) -> bool:
        """Whether records can be made and settings changed; a recording takes notes only."""

    @property
    def enter(self) -> Callable[[str], None] | None:
        """Takes a typed line as the next reading, or raises a `BenchwatchError`.

        None unless a person types the readings of this counter here.
        """

    @property
    def snapshot(self) -> Snapshot:
        """The newest snapshot of the counter."""

    def trace(self, span_s: float, points: int) -> Trace:
        """Return the last `span_s` seconds in at most about `points` points."""

    def touch(self, *, on: bool) -> None:
        """Report that the tool is on the trimmer of the oscillator, or off."""

    def record(self, kind: RecordKind, unit: OffsetUnit | None = None) -> str:
        """Put the present offset on record; return a sentence that states it, in `unit`.

        Raises:
            BenchwatchError: there is nothing to record yet.
        """

    def check(self, text: str) -> str:
        """Begin checks at other dial settings; return a sentence for the operator.

        Args:
            text: a setting such as ``100MHz``; empty: the next ones of the list; ``all``, ``stop``.

        Raises:
            BenchwatchError: there is nothing to check, or not now.
        """

    def go_on_checking(self) -> str:
        """Say that the unit is dialled as asked, or go on to the next setting; return a sentence.

        Raises:
            BenchwatchError: there is nothing to check, or not now.
        """

    def change(self, setting: Setting, text: str) -> str:
        """Change a setting to the value typed in `text`; return a sentence for the operator.

        A gate is set between two readings; later snapshots show the gate that was read back.

        Raises:
            BenchwatchError: the text is not a value of this setting, or it can't be changed now.
        """

    def change_visit(self, change: VisitChange, text: str) -> str:
        """Change the visit; return a sentence for the operator.

        Raises:
            UnknownUnit: the visit was to be that of a unit which is not known yet.
            BenchwatchError: the change can't be made now, or `text` is not of its form.
        """

    def note_report(self, number: int, text: str) -> None:
        """Log that a report on visit `number` was issued; `text` says where it was written."""


class ChainControl(Protocol):
    """What the operator can say of counters on one signal; every method returns at once.

    Those that return a sentence for the operator raise a `BenchwatchError` where it can't be done.
    """

    def offered(self, name: str) -> Sequence[str]:
        """Return the counters that may be on one signal with `name`, it first; none without any."""

    def prove(self, names: Sequence[str]) -> str:
        """Compare these counters from now on."""

    def record(self, name: str) -> str:
        """Put the newest comparison of a counter on record."""

    def use(self, name: str) -> str:
        """Correct the readings of a counter by its comparison from the next reading on."""

    def drop(self, name: str) -> str:
        """Correct them no more."""


class WatchSource(Protocol):
    """A running watch, or a recording; every method returns at once."""

    @property
    def names(self) -> Sequence[str]:
        """Names of the counters, at least one, in the order of the bench."""

    def counter(self, name: str) -> CounterHandle:
        """Return the handle to the counter `name`."""

    def comparison(self, name: str) -> ComparisonNow | None:
        """Return the newest comparison in which a counter takes part; None without one."""

    @property
    def chain(self) -> ChainControl | None:
        """Compares counters on one signal; None where nothing can be compared."""

    def mark(self, text: str) -> None:
        """Put a mark on the time line of every counter; with an empty `text` one without words."""

    def elapsed_s(self) -> float:
        """Return the seconds since the run began, on the clock of the snapshots."""


class TrimmerControl(Protocol):
    """What keys of the screen turn at the units on the counters, such as simulated ones.

    `counter` is the name of a counter; counters on one signal share trimmer and dial.
    """

    def turn(self, counter: str, amount: float) -> None:
        """Turn the trimmer by `amount` turns; positive raises the frequency."""

    def rest_tool(self, counter: str, on: bool) -> None:
        """Rest the tool on that trimmer, or lift it."""

    def dial(self, counter: str, frequency_hz: Decimal) -> None:
        """Dial the output of the unit to `frequency_hz`.

        Raises:
            BenchwatchError: the unit has no dial, or not this setting.
        """


class SoundOutput(Protocol):
    """Makes the newest snapshot audible; every method returns at once."""

    def start(self) -> None:
        """Open the sound device."""

    def stop(self) -> None:
        """Close the sound device."""

    def update(self, now: Snapshot, at_s: float) -> None:
        """Play the sound for the snapshot `now` at `at_s`, seconds of the run."""

    def notice(self) -> str:
        """Return a message for the operator, once; empty when there is none."""

    def mute(self) -> str:
        """Switch the sound off, or on again; return a sentence with the new state."""

    def louder(self, levels: int) -> str:
        """Raise the volume by `levels`, or lower it; return a sentence with the new volume."""


SoundMaker = Callable[[Callable[[], None]], SoundOutput]
"""Makes the sound output of a screen, given the function that rings the terminal's bell."""


class PlaybackControl(Protocol):
    """A recording that is played; every method returns at once."""

    @property
    def playing(self) -> Playback:
        """Position, speed and state of the playback."""

    def pause(self) -> None:
        """Pause or continue; at the end, restart."""

    def faster(self, steps: int) -> None:
        """Raise the speed by `steps` steps; lower it if `steps` is negative."""

    def seek(self, to_s: float) -> None:
        """Go to `to_s` seconds from the beginning; at most to the end."""
