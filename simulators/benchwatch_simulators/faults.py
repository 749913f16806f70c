"""Faults of the answers and connections of simulated counters, declared as data.

A fault is written ``KIND@TIME`` or ``KIND@TIME+DURATION``, such as ``cut@30s`` or
``mute@10s+5s``, with ``COUNTER=`` in front where only one counter is meant. Times count from
the moment the bench is switched on. A fault changes the bytes of a whole answer, so it is the same
on every bus.
"""

import difflib
import random
import re
import threading
from collections import deque
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass

from benchwatch.errors import QuantityError, UsageError
from benchwatch.quantity import parse_duration, printable

FAULT_KINDS = {
    "late": "what is said in that time is said at its end",
    "cut": "an answer breaks off before its end, and the rest never comes",
    "doubled": "an answer comes twice, with a duration the second time at its end",
    "closed": "the connection is closed; with a duration nothing listens for so long",
    "mute": "commands are taken, and nothing is answered",
    "garbage": "an answer is replaced by bytes that are no text",
    "huge": "an answer is replaced by 100 000 digits",
    "slow": "an answer comes a byte at a time, spread over that time",
    "restart": "power fails: connections close, settings go, and it is back after that time",
    "wrong-answer": "an answer is replaced by the answer to another question",
    "out-of-step": "an answer is held back, and every later one comes one question late, "
    "until the connection is opened again",
}
FAULT_FORM = "cut@30s, mute@10s+5s or main=closed@1min+3s"

_USUAL_S = {"late": 3.0, "mute": 3.0, "slow": 3.0, "restart": 2.0}
"""Duration where none is stated; without one, other kinds affect a single answer."""
_CONNECTION_KINDS = {"closed", "restart"}
_HUGE_ANSWER = b"9" * 100_000
_NUMBER = re.compile(rb"\s*[+-]?\d")
_OTHER_ANSWERS = (b"+2.500000E-01", b'0,"No error"')
"""Answers to other questions: for the gate, and for the errors."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault of an answer or a connection."""

    kind: str
    """One of `FAULT_KINDS`."""
    at_s: float = 0.0
    """Seconds since the bench was switched on."""
    lasts_s: float | None = None
    """Seconds; None: the usual duration of its kind, or a single answer."""
    counter: str | None = None
    """None: every counter of the bench."""

    @property
    def is_break(self) -> bool:
        """Whether the fault breaks the connection instead of changing an answer."""
        return self.kind in _CONNECTION_KINDS

    @property
    def until_s(self) -> float:
        """Bench time at which the fault ends; `at_s` if it affects one answer or one moment."""
        lasts_s = _USUAL_S.get(self.kind, 0.0) if self.lasts_s is None else self.lasts_s
        return self.at_s + lasts_s


@dataclass(frozen=True, slots=True)
class AnswerPart:
    """Bytes of an answer that are sent together."""

    data: bytes
    due_s: float
    """Bench time at which they are sent."""
    ends: bool = True
    """Whether the instrument marks the end of its message (END) with the last byte."""


def parse_fault(text: str) -> Fault:
    """Read a fault such as ``cut@30s`` or ``main=mute@10s+5s``.

    Raises:
        UsageError: the kind is unknown or a time can't be read; the message shows the forms.
    """
    return parse_fault_of(text, FAULT_KINDS, FAULT_FORM)


def parse_fault_of(text: str, kinds: Collection[str], form: str) -> Fault:
    """Read a fault of one of `kinds`; `form` shows how one is written.

    Raises:
        UsageError: the kind is unknown or a time can't be read; the message shows the forms.
    """
    counter, equals, rest = text.strip().rpartition("=")
    kind, at, when = rest.partition("@")
    kind = kind.strip().lower().replace("_", "-").replace(" ", "-")
    if kind not in kinds:
        close = difflib.get_close_matches(kind, kinds, n=1, cutoff=0.5)
        hint = f"; did you mean '{close[0]}'?" if close else "."
        raise UsageError(
            f"'{printable(text)}': there is no fault '{printable(kind)}'{hint} "
            f"There are: {', '.join(kinds)}. Write it like {form}."
        )
    start, plus, duration = when.partition("+")
    if not at or not start.strip() or (plus and not duration.strip()) or (equals and not counter):
        raise UsageError(f"'{printable(text)}' does not say when. Write it like {form}.")
    try:
        at_s = 0.0 if start.strip() in {"0", "0s"} else parse_duration(start)
        lasts_s = parse_duration(duration) if plus else None
    except QuantityError as error:
        raise UsageError(f"the fault '{printable(text)}': {error}") from error
    return Fault(kind=kind, at_s=at_s, lasts_s=lasts_s, counter=counter.strip() or None)


class FaultScript:
    """Applies faults to the answers of one counter; safe to use from several threads.

    Args:
        faults: faults of this counter; those of the connection are ignored here.
        now: returns bench time in seconds.
        seed: seed of the random bytes of garbage.
    """

    def __init__(
        self, faults: Iterable[Fault] = (), now: Callable[[], float] = lambda: 0.0, seed: int = 0
    ) -> None:
        self._now = now
        self._random = random.Random(seed)
        self._lock = threading.Lock()
        self._coming = [fault for fault in faults if not fault.is_break]
        self._held: deque[bytes] | None = None
        self._others = 0

    @property
    def now_s(self) -> float:
        """Bench time in seconds."""
        return self._now()

    def add(self, fault: Fault) -> None:
        """Add a fault while the bench is on."""
        with self._lock:
            self._coming.append(fault)

    def forget(self) -> None:
        """Drop answers held back, because the connection was opened again or cleared."""
        with self._lock:
            self._held = None

    def shape(self, answer: bytes) -> list[AnswerPart]:
        """Return the parts that the instrument sends instead of `answer`; none: it stays silent."""
        with self._lock:
            now_s = self._now()
            fault = self._due(now_s)
            if fault is not None and fault.kind == "out-of-step" and self._held is None:
                self._held = deque()
            if self._held is not None:
                self._held.append(answer)
                if len(self._held) == 1:
                    return []
                answer = self._held.popleft()
            if fault is None:
                return [AnswerPart(answer, now_s)]
            return self._spoil(fault, answer, now_s)

    def _due(self, now_s: float) -> Fault | None:
        """Return the fault that affects an answer given now; a fault that is over is dropped."""
        for fault in list(self._coming):
            once = fault.until_s == fault.at_s
            if now_s < fault.at_s:
                continue
            if once or now_s >= fault.until_s:
                self._coming.remove(fault)
            if once or now_s < fault.until_s:
                return fault
        return None

    def _spoil(self, fault: Fault, answer: bytes, now_s: float) -> list[AnswerPart]:
        """Return the parts of `answer` as `fault` changes it at `now_s`."""
        whole = AnswerPart(answer, now_s)
        end_s = max(now_s, fault.until_s)
        if fault.kind == "doubled":
            return [whole, AnswerPart(answer, end_s)]
        if fault.kind == "late":
            return [AnswerPart(answer, end_s)]
        if fault.kind == "cut":
            return [AnswerPart(answer[: max(1, 2 * len(answer) // 3)], now_s, ends=False)]
        if fault.kind == "slow":
            step_s = (end_s - now_s) / len(answer)
            last = len(answer) - 1
            return [
                AnswerPart(answer[i : i + 1], now_s + (i + 1) * step_s, ends=i == last)
                for i in range(len(answer))
            ]
        replaced = {
            "garbage": self._garbage,
            "huge": lambda _: _HUGE_ANSWER,
            "wrong-answer": self._other_answer,
        }.get(fault.kind)
        if replaced is not None:
            return [AnswerPart(replaced(answer) + b"\n", now_s)]
        return [] if fault.kind == "mute" else [whole]

    def _garbage(self, _: bytes) -> bytes:
        # Bytes from 0x80 are not ASCII; the escape sequence shows whether a program interprets it.
        return b"\x1b[31m" + bytes(self._random.randrange(128, 256) for _ in range(24))

    def _other_answer(self, answer: bytes) -> bytes:
        self._others += 1
        if not _NUMBER.match(answer):
            return _OTHER_ANSWERS[0]
        return _OTHER_ANSWERS[(self._others - 1) % len(_OTHER_ANSWERS)]
