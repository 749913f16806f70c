"""Finds instruments, and reports each as soon as it is found, within a time limit.

On the network and on USB an instrument is queried with ``*IDN?``, which it must answer (IEEE 488.2
10.14). An older counter on GPIB may take those letters for settings, and a serial port may lead to
any device: there ``*IDN?`` is sent only when the operator asks for it.
"""

import queue
import re
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

from benchwatch.bus.file_wire import file_of
from benchwatch.bus.listing import ListedResource, ResourceLister
from benchwatch.clock import Clock, SystemClock
from benchwatch.counter import DEFAULT_DRIVER, Link, OpenLink
from benchwatch.errors import BenchwatchError, ReplyTimeout
from benchwatch.quantity import printable

IDENTITY_S: Final = 2.0
"""Longest wait for an answer to ``*IDN?``."""
QUERIED_AT_ONCE: Final = 8
"""Most instruments queried at the same time."""
SERIAL: Final = "ASRL"
UNSAFE_INTERFACES: Final = (SERIAL, "GPIB", "LANGPIB", "PRLGX", "VXI")
"""Beginnings of the resources where *IDN? may be taken for something else."""
TYPED: Final = "typed"
"""The source of a resource that the operator named."""

LISTEN_S: Final = 2.5
"""Longest wait for each of two lines: a talk-only counter sends one a gate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundResource:
    """A resource, and what has been found out about it."""

    resource: str
    source: str
    """``typed``, or the name of the lister that found it."""
    about: str = ""
    identity: str | None = None
    """Its answer to ``*IDN?``, plain text; None when it was not queried or gave none."""
    driver: str | None = None
    note: str = ""
    """What is not known and why, and what to do: a sentence."""


@dataclass(frozen=True, slots=True)
class SearchedPlace:
    """A place that has been searched."""

    place: str
    trouble: str = ""
    """Why it could not be searched to the end; empty when it was."""


class Finder:
    """Searches all places at once, and queries the instruments found.

    Args:
        open_link: opens a link.
        listers: the places to search, besides the typed resources.
        ask_all: query ``*IDN?`` everywhere, also where that is not safe.
        of_identity: returns the driver for an identity.
        of_line: returns the drivers that read a line which came without a query.
        timeout_s: longest time of the search.
        clock: gives the times for deadlines.
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
        self._results: queue.SimpleQueue[FoundResource | SearchedPlace] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._known: set[str] = set()
        self._pending: dict[str, FoundResource] = {}
        """Resources that are being queried, each as it is reported if the time is up."""
        self._places: set[str] = set()
        self._cancel = threading.Event()
        self._slots = threading.Semaphore(QUERIED_AT_ONCE)

    def find(self, typed: Sequence[str] = ()) -> Iterator[FoundResource | SearchedPlace]:
        """Yield every resource once, as soon as it is known; `typed` ones are queried too."""
        deadline = self._clock.monotonic() + self._timeout_s
        try:
            for resource in typed:
                self._add(ListedResource(resource), TYPED)
            for lister in self._listers:
                self._places.add(lister.name)
                self._spawn(partial(self._list, lister))
            while self._pending or self._places:
                try:
                    left_s = deadline - self._clock.monotonic()
                    yield self._done(self._results.get(timeout=max(left_s, 0.0)))
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
                self._add(listed, lister.name)
        except BaseException as error:  # noqa: BLE001 - any exception of a library is reported
            trouble = _sentence(error)
        self._results.put(SearchedPlace(lister.name, trouble))

    def _add(self, listed: ListedResource, source: str) -> None:
        """Query a resource, or report why it is not queried."""
        resource = listed.resource.strip()
        late = f"no answer within {self._timeout_s:g} s. Check power, cable and address."
        with self._lock:
            if resource in self._known:
                return
            self._known.add(resource)
            self._pending[resource] = FoundResource(
                resource=resource, source=source, about=listed.about, note=late
            )
        found = FoundResource(resource=resource, source=source, about=listed.about)
        why_not = _why_not_queried(resource)
        if not why_not or (self._ask_all and file_of(resource) is None):
            self._spawn(partial(self._open_and_examine, self._query_identity, found))
        elif source == TYPED and _can_be_listened_to(resource):
            self._spawn(partial(self._open_and_examine, self._listen, found))
        else:
            self._results.put(replace(found, note=why_not))

    def _open_and_examine(
        self, examine: Callable[[Link, FoundResource], FoundResource], found: FoundResource
    ) -> None:
        """Open a resource and `examine` it; any error is reported."""
        with self._slots:
            try:
                link = self._open_link(found.resource, cancel=self._cancel)
                try:
                    found = examine(link, found)
                finally:
                    link.close()
            except BaseException as error:  # noqa: BLE001 - reported, so that the search ends
                found = replace(found, note=_sentence(error))
        self._results.put(found)

    def _query_identity(self, link: Link, found: FoundResource) -> FoundResource:
        """Query the identity, and fit a driver to the answer."""
        try:
            text = link.query("*IDN?", IDENTITY_S)
        except ReplyTimeout:
            note = f"it is open, and does not answer *IDN? within {IDENTITY_S:g} s"
            return replace(found, note=f"{note}. {_try_a_driver(found.resource)}")
        shown = text.strip("\0\t ")
        if not is_identity(shown):
            return self._by_line(found, text)
        return replace(found, identity=printable(shown, 120), driver=self._of_identity(shown))

    def _listen(self, link: Link, found: FoundResource) -> FoundResource:
        """Read two lines without sending anything; the first may lack its beginning."""
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
        """Add a note with a line that came, and the driver if one alone can read the line."""
        names = self._of_line(line)
        note = f"it says '{printable(line)}'"
        if len(names) == 1:
            return replace(found, driver=names[0], note=f"{note} without being asked")
        if names:
            note += f", which is read by: {', '.join(names)}"
        return replace(found, note=f"{note}. {_try_a_driver(found.resource)}")

    # ------------------------------------------------------------- the caller's thread

    def _done(self, item: FoundResource | SearchedPlace) -> FoundResource | SearchedPlace:
        """Return a result, which the search no longer waits for."""
        if isinstance(item, FoundResource):
            with self._lock:
                self._pending.pop(item.resource, None)
        else:
            self._places.discard(item.place)
        return item

    def _unfinished(self) -> Iterator[FoundResource | SearchedPlace]:
        """Yield the resources and places for which the search still waits, as not finished."""
        with self._lock:
            yield from self._pending.values()
        for place in sorted(self._places):
            yield SearchedPlace(
                place, f"not finished within {self._timeout_s:g} s; give it longer with --timeout."
            )

    def _spawn(self, work: Callable[[], None]) -> None:
        threading.Thread(target=work, name="find", daemon=True).start()


def is_identity(text: str) -> bool:
    """Return whether a reply can be one to ``*IDN?``: four fields by the standard, some send three.

    A reading of a talk-only counter may have letters and a comma, but no word and two commas.
    """
    has_word = any(word.isalpha() and len(word) > 1 for word in re.split(r"[^A-Za-z]+", text))
    return text.isascii() and text.isprintable() and text.count(",") >= 2 and has_word


def _why_not_queried(resource: str) -> str:
    interface = resource.upper()
    if file_of(resource) is not None:
        return "a file can't be asked"
    if not interface.startswith(UNSAFE_INTERFACES):
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
