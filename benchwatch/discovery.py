"""What instruments there are, told as they are found, and never waited for without end.

Nothing is sent to what can't stand it: on the network and on USB an instrument is asked
``*IDN?`` (IEEE 488.2 10.14, a query every one of them must know). An older counter on GPIB may
take those letters for settings, and nobody knows what is at a serial port, so there it is done
only when the operator says so.
"""

import queue
import re
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

from benchwatch.bus import ListedResource, ResourceLister
from benchwatch.bus.file_wire import file_of
from benchwatch.clock import Clock, SystemClock
from benchwatch.counter import DEFAULT_DRIVER, Link, OpenLink
from benchwatch.errors import BenchwatchError, ReplyTimeout
from benchwatch.quantity import printable

ANSWER_S: Final = 2.0
"""How long an answer to ``*IDN?`` is waited for."""
AT_ONCE: Final = 8
"""Instruments asked at the same time."""
SERIAL: Final = "ASRL"
UNSAFE: Final = (SERIAL, "GPIB", "LANGPIB", "PRLGX", "VXI")
"""How resources begin where *IDN? may be taken for something else."""
TYPED: Final = "typed"
"""The source of what somebody named."""

LISTEN_S: Final = 2.5
"""A talk-only counter says a line a gate, and the first one may be cut."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundResource:
    """One resource, and what is known of it."""

    resource: str
    source: str
    """Who named it: ``typed``, or the lister."""
    about: str = ""
    identity: str | None = None
    """Its answer to ``*IDN?``, plain text; None when it was not asked or gave none."""
    driver: str | None = None
    note: str = ""
    """What is not known and why, and what to do; a sentence."""


@dataclass(frozen=True, slots=True)
class SearchedPlace:
    """A place where nothing more will be found."""

    place: str
    trouble: str = ""
    """Why it could not be looked at, or not to the end; empty when all went well."""


class Finder:
    """Looks everywhere at once.

    Args:
        open_link: how a link is opened.
        listers: the places to look at, beside what is typed.
        ask_all: ask ``*IDN?`` of everything, also where that is not safe.
        of_identity: names the driver for an identity.
        of_line: names the drivers that read a line which came unasked.
        timeout_s: whatever has not been found by then is given up.
        clock: where deadlines come from.
    """

    def __init__(
        self,
        open_link: OpenLink,
        listers: Sequence[ResourceLister] = (),
        *,
        ask_all: bool = False,
        of_identity: Callable[[str], str] = lambda _identity: DEFAULT_DRIVER,
        of_line: Callable[[str], list[str]] = lambda _line: [],
        timeout_s: float = 10.0,
        clock: Clock | None = None,
    ) -> None:
        self._open_link = open_link
        self._listers = listers
        self._ask_all = ask_all
        self._of_identity = of_identity
        self._of_line = of_line
        self._timeout_s = timeout_s
        self._clock = clock or SystemClock()
        self._out: queue.SimpleQueue[FoundResource | SearchedPlace] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._known: set[str] = set()
        self._asked: dict[str, FoundResource] = {}
        """Those that are being asked, as they are told when time is up."""
        self._places: set[str] = set()
        self._cancel = threading.Event()
        self._turns = threading.Semaphore(AT_ONCE)

    def find(self, typed: Sequence[str] = ()) -> Iterator[FoundResource | SearchedPlace]:
        """Give every resource once, as soon as it is known; `typed` ones are asked too."""
        deadline = self._clock.monotonic() + self._timeout_s
        try:
            for resource in typed:
                self._meet(ListedResource(resource), TYPED)
            for lister in self._listers:
                self._places.add(lister.name)
                self._spawn(partial(self._list, lister))
            while self._asked or self._places:
                try:
                    left_s = deadline - self._clock.monotonic()
                    yield self._done(self._out.get(timeout=max(left_s, 0.0)))
                except queue.Empty:
                    break
            yield from self._unfinished()
        finally:
            self._cancel.set()

    # ------------------------------------------------------------- the threads

    def _list(self, lister: ResourceLister) -> None:
        trouble = ""
        try:
            for listed in lister.list():
                self._meet(listed, lister.name)
        except BaseException as error:  # noqa: BLE001 - whatever breaks in a library is told
            trouble = _sentence(error)
        self._out.put(SearchedPlace(lister.name, trouble))

    def _meet(self, listed: ListedResource, source: str) -> None:
        """Ask what was found, or tell why it is not asked."""
        resource = listed.resource.strip()
        late = f"no answer within {self._timeout_s:g} s. Check power, cable and address."
        with self._lock:
            if resource in self._known:
                return
            self._known.add(resource)
            self._asked[resource] = FoundResource(
                resource=resource, source=source, about=listed.about, note=late
            )
        found = FoundResource(resource=resource, source=source, about=listed.about)
        why_not = _why_not_asked(resource)
        if not why_not or (self._ask_all and file_of(resource) is None):
            self._spawn(partial(self._work, self._ask, found))
        elif source == TYPED and _can_be_listened_to(resource):
            self._spawn(partial(self._work, self._listen, found))
        else:
            self._out.put(replace(found, note=why_not))

    def _work(
        self, how: Callable[[Link, FoundResource], FoundResource], found: FoundResource
    ) -> None:
        """Open what was found and learn more of it; whatever breaks is told."""
        with self._turns:
            try:
                link = self._open_link(found.resource, cancel=self._cancel)
                try:
                    found = how(link, found)
                finally:
                    link.close()
            except BaseException as error:  # noqa: BLE001 - told, so that nothing is waited for
                found = replace(found, note=_sentence(error))
        self._out.put(found)

    def _ask(self, link: Link, found: FoundResource) -> FoundResource:
        """Ask who is there."""
        try:
            text = link.query("*IDN?", ANSWER_S)
        except ReplyTimeout:
            note = f"it is open, and does not answer *IDN? within {ANSWER_S:g} s"
            return replace(found, note=f"{note}. {_try_a_driver(found.resource)}")
        shown = text.strip("\0\t ")
        if not is_identity(shown):
            return self._by_line(found, text)
        return replace(found, identity=printable(shown, 120), driver=self._of_identity(shown))

    def _listen(self, link: Link, found: FoundResource) -> FoundResource:
        """Listen without sending anything; the first line may lack its beginning."""
        line = ""
        try:
            line = link.read(LISTEN_S)
            line = link.read(LISTEN_S)
        except ReplyTimeout:
            pass
        if line:
            return self._by_line(found, line)
        note = f"nothing was sent to it, and it said nothing for {LISTEN_S:g} s"
        if file_of(found.resource) is not None:
            return replace(found, note=f"{note}. Does a program write to it now?")
        return replace(found, note=f"{note}. {_try_a_driver(found.resource)}; --ask asks it *IDN?")

    def _by_line(self, found: FoundResource, line: str) -> FoundResource:
        names = self._of_line(line)
        note = f"it says '{printable(line)}'"
        if len(names) == 1:
            return replace(found, driver=names[0], note=f"{note} without being asked")
        if names:
            note += f", which is read by: {', '.join(names)}"
        return replace(found, note=f"{note}. {_try_a_driver(found.resource)}")

    # ------------------------------------------------------------- the caller's thread

    def _done(self, item: FoundResource | SearchedPlace) -> FoundResource | SearchedPlace:
        if isinstance(item, FoundResource):
            with self._lock:
                self._asked.pop(item.resource, None)
        else:
            self._places.discard(item.place)
        return item

    def _unfinished(self) -> Iterator[FoundResource | SearchedPlace]:
        with self._lock:
            yield from self._asked.values()
        for place in sorted(self._places):
            yield SearchedPlace(
                place, f"not finished within {self._timeout_s:g} s; give it longer with --timeout."
            )

    def _spawn(self, work: Callable[[], None]) -> None:
        threading.Thread(target=work, name="find", daemon=True).start()


def is_identity(text: str) -> bool:
    """Tell whether a reply can be one to ``*IDN?``: four fields by the standard, some give three.

    What a counter talks unasked has letters and commas too, but no word and never two commas.
    """
    has_word = any(word.isalpha() and len(word) > 1 for word in re.split(r"[^A-Za-z]+", text))
    return text.isascii() and text.isprintable() and text.count(",") >= 2 and has_word


def _why_not_asked(resource: str) -> str:
    interface = resource.upper()
    if file_of(resource) is not None:
        return "a file can't be asked"
    if not interface.startswith(UNSAFE):
        return ""
    if interface.startswith(SERIAL):
        return (
            "not opened: nobody knows what is at a serial port. "
            f"{_try_a_driver(resource)}; --ask asks it *IDN?"
        )
    return (
        "not asked: an older counter may take *IDN? for settings. If it knows *IDN?, use --ask. "
        f"{_try_a_driver(resource)}"
    )


def _can_be_listened_to(resource: str) -> bool:
    return resource.upper().startswith(SERIAL) or file_of(resource) is not None


def _try_a_driver(resource: str) -> str:
    shown = printable(resource, 200)
    return f"If it is a counter: benchwatch drivers check {shown} --driver NAME"


def _sentence(error: BaseException) -> str:
    if isinstance(error, BenchwatchError):
        return str(error)
    return f"{type(error).__name__}: {printable(str(error), 200)}."
