"""The topics of MQTT by which stations, keeper and desks speak, and the names in them.

A broker's access list goes by them: a station's name is the common name of its certificate, and
stands in the third place of each of its topics. A counter's name is percent-encoded (RFC 3986,
section 2.1), so that it holds no sign that MQTT uses: ``/``, ``+``, ``#``.
"""

from dataclasses import dataclass
from typing import Final, Literal
from urllib.parse import quote, unquote

from benchwatch.relay.station_name import is_station_name

TopicKind = Literal["batch", "ack", "here", "look", "state", "line"]
"""Last place of a topic; ``state`` and ``line`` belong to a counter of the station."""

KEEPER_TOPIC: Final = "bw/1/keeper"
"""A keeper says here that it takes batches."""
ALL_BATCHES: Final = "bw/1/+/batch"
ALL_STATIONS: Final = "bw/1/+/here"
ALL_STATES: Final = "bw/1/+/+/state"
ALL_LINES: Final = "bw/1/+/+/line"

_PREFIX: Final = "bw/1/"
_OF_STATION: Final = frozenset({"batch", "ack", "here", "look"})
_OF_COUNTER: Final = frozenset({"state", "line"})
_LONGEST_COUNTER: Final = 1000
"""Most characters of a counter's name in a topic."""


@dataclass(frozen=True, slots=True)
class Topic:
    """Whose topic it is, and what is said there."""

    station: str
    kind: TopicKind
    counter: str | None = None
    """Name of the counter, decoded; None: the topic is the station's."""

    def __str__(self) -> str:
        """Return the topic as MQTT has it."""
        of = "" if self.counter is None else f"/{quote(self.counter, safe='', errors='replace')}"
        return f"{_PREFIX}{self.station}{of}/{self.kind}"


def batch_topic(station: str) -> str:
    """Return where the station sends batches and questions."""
    return str(Topic(station, "batch"))


def answer_topic(station: str) -> str:
    """Return where the keeper answers the station."""
    return str(Topic(station, "ack"))


def here_topic(station: str) -> str:
    """Return where the station says that it is there, and its will that it is gone."""
    return str(Topic(station, "here"))


def look_topic(station: str) -> str:
    """Return where a desk asks the station for its lines."""
    return str(Topic(station, "look"))


def state_topic(station: str, counter: str) -> str:
    """Return where the station says what a counter is."""
    return str(Topic(station, "state", counter))


def all_states_topic(station: str) -> str:
    """Return where the station says what its counters are: a filter to subscribe to."""
    return f"{_PREFIX}{station}/+/state"


def all_lines_topic(station: str) -> str:
    """Return where the station sends the lines of its counters: a filter to subscribe to."""
    return f"{_PREFIX}{station}/+/line"


def line_topic(station: str, counter: str) -> str:
    """Return where the station sends the lines of a counter."""
    return str(Topic(station, "line", counter))


def read_topic(text: str) -> Topic | None:
    """Return what the topic of a message says; None: it is none of ours."""
    parts = text.removeprefix(_PREFIX).split("/")
    if not text.startswith(_PREFIX) or not is_station_name(parts[0]):
        return None
    if len(parts) == 2 and parts[1] in _OF_STATION:
        return Topic(parts[0], parts[1])  # type: ignore[arg-type]
    if len(parts) == 3 and parts[2] in _OF_COUNTER and len(parts[1]) <= _LONGEST_COUNTER:
        topic = Topic(parts[0], parts[2], unquote(parts[1]))  # type: ignore[arg-type]
        return topic if str(topic) == text else None
    return None
