"""What a person is told of sending to the central record: seldom, and each change once."""

import math
from typing import Final

from benchwatch.quantity import how_many, printable
from benchwatch.relay.station.shipping_state import ShippingState
from benchwatch.snapshot import RelayNow

SAID_AFTER_S: Final = 5.0
"""A link that comes back sooner is not worth a word."""
BEHIND_EVENTS: Final = 100
BEHIND_S: Final = 60.0
"""So many unsent events for longer than a batch and its answer take, or one that is unsent for so
long, make a station behind."""


class RelayWords:
    """Follows how sending stands, and says what changes."""

    def __init__(self) -> None:
        self.notices: list[str] = []
        """Sentences on changes; the list only grows."""
        self._wrong_s: float | None = None
        """Monotonic seconds since which something is seen to be wrong; None: nothing is."""
        self._many_s: float | None = None
        """Monotonic seconds since which many events are seen to be unsent; None: few are."""
        self._said_away = False
        self._most_unsent = 0
        """Most events that were unsent since it was said that the broker is away."""
        self._back_utc_s = math.inf
        """Unix seconds at which nothing was wrong any more."""

    @property
    def is_quiet(self) -> bool:
        """Whether nothing was wrong, and few events were unsent, when it was followed last."""
        return self._wrong_s is None and self._many_s is None

    def follow(self, sending: ShippingState, now_s: float, utc_s: float) -> tuple[RelayNow, str]:
        """Return what to show of `sending`, and a sentence on what has changed; empty: nothing.

        Args:
            sending: how it stands.
            now_s: the present, monotonic seconds.
            utc_s: the present, Unix seconds.
        """
        wrong = not sending.connected or bool(sending.why)
        if wrong:
            self._back_utc_s = math.inf
        else:
            self._back_utc_s = min(self._back_utc_s, utc_s)
        self._wrong_s = _since(self._wrong_s, now_s, is_so=wrong)
        trouble = _trouble(sending) if _lasts(self._wrong_s, now_s) else ""
        unsent, oldest_utc_s = sending.unsent or 0, sending.oldest_utc_s
        waits_s = 0.0 if oldest_utc_s is None else utc_s - oldest_utc_s
        self._many_s = _since(self._many_s, now_s, is_so=unsent >= BEHIND_EVENTS)
        behind = _lasts(self._many_s, now_s) or (unsent > 0 and waits_s >= BEHIND_S)
        text = self._change(sending, trouble)
        if text:
            self.notices.append(text)
        shown = sending.unsent if trouble or behind else None
        return RelayNow(unsent=shown, behind=behind, trouble=trouble), text

    def _change(self, sending: ShippingState, trouble: str) -> str:
        if self._said_away:
            self._most_unsent = max(self._most_unsent, sending.unsent or 0)
        if trouble and not self._said_away:
            self._said_away, self._most_unsent = True, sending.unsent or 0
            return f"{trouble}. Readings stay in the journal and are sent later."
        if self._said_away and self._all_is_in(sending):
            self._said_away = False
            return f"all is in the central record again: {how_many(self._most_unsent, 'event')}."
        return ""

    def _all_is_in(self, sending: ShippingState) -> bool:
        """Return whether nothing is unsent that happened before all was well again."""
        if self._back_utc_s == math.inf or sending.unsent is None:
            return False
        oldest_utc_s = sending.oldest_utc_s
        newer = oldest_utc_s is not None and oldest_utc_s >= self._back_utc_s
        return newer or sending.unsent == 0


def _since(before_s: float | None, now_s: float, *, is_so: bool) -> float | None:
    """Return since when something is seen to be so, and None if it is not.

    Not since it was last seen not to be so: while all is well that may be long ago.
    """
    if not is_so:
        return None
    return now_s if before_s is None else before_s


def _lasts(since_s: float | None, now_s: float) -> bool:
    """Return whether something has been so for long enough to be said."""
    return since_s is not None and now_s - since_s >= SAID_AFTER_S


def _trouble(sending: ShippingState) -> str:
    """Write what is wrong, and why as far as is known."""
    why = printable(sending.why, 200).rstrip(". ")
    if sending.connected:
        return why
    return f"the broker is away: {why}" if why else "the broker is away"


def left_words(sending: ShippingState) -> str:
    """Write at the end of a watch what is not in the central record yet; empty: all is."""
    send = "benchwatch relay send JOURNAL --relay BROKER"
    then = f"they are sent by the next watch with --relay, or by: {send}"
    if sending.unsent:
        more = how_many(sending.unsent, "event")
        verb = "is" if sending.unsent == 1 else "are"
        wrong = not sending.connected or bool(sending.why)
        why = f" The reason: {_trouble(sending)}." if wrong else ""
        return f"{more} {verb} not in the central record yet; {then}.{why}"
    if sending.unsent is None:
        return (
            "it is not known which events the central record lacks, as it did not answer: all are "
            "in the journal, and what it lacks is sent by the next watch with --relay, or by: "
            f"{send}."
        )
    return ""
