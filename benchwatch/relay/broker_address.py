"""Where a broker is: ``mqtts://HOST[:PORT]``, and the resource of a counter elsewhere."""

import ipaddress
import re
from dataclasses import dataclass
from typing import Final

from benchwatch.errors import UsageError
from benchwatch.quantity import printable
from benchwatch.relay.station_name import check_station_name

TLS_PORT: Final = 8883
PLAIN_PORT: Final = 1883
"""Ports that are registered for MQTT with and without TLS (IANA, service names and ports)."""

BROKER_FORM: Final = "mqtts://HOST or mqtts://HOST:PORT"
ELSEWHERE_FORM: Final = "MQTT::HOST::PORT, then ::STATION and ::COUNTER where only these are meant"

_URL: Final = re.compile(r"(mqtts?)://(\[[0-9A-Fa-f:.]+\]|[\w.-]+)(?::([0-9]{1,5}))?/?")
_ELSEWHERE: Final = re.compile(
    r"MQTT::(\[[0-9A-Fa-f:.]+\]|[\w.-]+)::([0-9]{1,5})(?:::([^:]*)(?:::(.*))?)?", re.DOTALL
)
_LONGEST_HOST: Final = 253
"""Most characters of a host's name (RFC 1035, section 2.3.4)."""


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Host, port, and whether the connection is encrypted."""

    host: str
    """A name or an IP address, an IPv6 one without brackets."""
    port: int
    tls: bool

    def __str__(self) -> str:
        """Return the address as it is typed."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"mqtt{'s' if self.tls else ''}://{host}:{self.port}"

    @property
    def is_loopback(self) -> bool:
        """Return whether the broker runs on this machine."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host.lower() == "localhost"


def check_is_here(address: BrokerAddress, who: str, whose: str) -> None:
    """Refuse a broker on another machine, for which no identity was given.

    Args:
        address: the broker.
        who: what it must know, such as ``who sends``.
        whose: whose folder `relay init` or `relay add` wrote, for the sentence.

    Raises:
        UsageError: it is on another machine.
    """
    if not address.is_loopback:
        raise UsageError(
            f"the broker {address} is on another machine, and must know {who}: add "
            f"--relay-identity DIR, {whose}."
        )


def parse_broker(text: str) -> BrokerAddress:
    """Return the broker that a person named by a URL.

    Raises:
        UsageError: it is no such URL, or its connection would be plain text over a network.
    """
    match = _URL.fullmatch(text.strip())
    if match is None:
        # What was typed may hold a password, and is not repeated.
        raise UsageError(
            f"the broker is given as {BROKER_FORM}, without a user, a password or a path: a "
            "certificate says who connects (--relay-identity DIR)."
        )
    scheme, host, port = match.groups()
    tls = scheme == "mqtts"
    return _address(host, port or str(TLS_PORT if tls else PLAIN_PORT), tls=tls)


def parse_elsewhere(
    text: str, *, has_identity: bool = False
) -> tuple[BrokerAddress, str | None, str | None]:
    """Return broker, station and counter of the resource of a counter elsewhere.

    Args:
        text: ``MQTT::HOST::PORT[::STATION[::COUNTER]]``.
        has_identity: whether a certificate is given, with which the connection is encrypted at any
            port; without one it is at port 8883 only.

    Returns:
        The broker, the station (None: all) and the counter (None: all of the station).

    Raises:
        UsageError: it is no such resource, or its connection would be plain text over a network.
    """
    match = _ELSEWHERE.fullmatch(text.strip())
    if match is None:
        raise UsageError(
            f"'{printable(text)}' is no counter elsewhere: these are given as {ELSEWHERE_FORM}."
        )
    host, port, station, counter = match.groups()
    address = _address(host, port, tls=has_identity or int(port) == TLS_PORT)
    return address, check_station_name(station) if station else None, counter or None


def _address(host: str, port: str, *, tls: bool) -> BrokerAddress:
    bare = host.strip("[]")
    try:
        if host.startswith("["):
            ipaddress.IPv6Address(bare)
    except ValueError as error:
        raise UsageError(f"the broker's address {printable(host)} is no IPv6 address.") from error
    if len(bare) > _LONGEST_HOST:
        raise UsageError(f"the broker's name is longer than {_LONGEST_HOST} characters.")
    if not 0 < int(port) < 65536:
        raise UsageError(f"the broker's port {port} is not between 1 and 65535.")
    address = BrokerAddress(bare, int(port), tls)
    if not (tls or address.is_loopback):
        raise UsageError(
            f"the connection to {printable(bare)} would not be encrypted, and anybody on the "
            f"network could write into it: give mqtts://, with --relay-identity DIR. Plain mqtt:// "
            "is for a broker on this machine only."
        )
    return address
