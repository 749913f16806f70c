"""The address on which pages are served, and the check of requests to it."""

import ipaddress
import re
import secrets
import socket
from dataclasses import dataclass, field
from typing import Final
from urllib.parse import urlsplit

from benchwatch.errors import UsageError
from benchwatch.quantity import printable

LOOPBACK: Final = "127.0.0.1"
WEB_PORT: Final = 8010
SECRET_BYTES: Final = 16
DOCUMENTATION_ADDRESS: Final = ("192.0.2.1", 9)
"""Any address outside this computer, here one reserved for documentation (RFC 5737): finding the
route to it shows this computer's address, and sends nothing."""


_HOST: Final = re.compile(r"(?:[A-Za-z0-9_.-]{1,253}|\[[0-9A-Fa-f:.]{2,45}\])(?::[0-9]{1,5})?")
"""Header ``Host``: a name or an address, and a port (RFC 9110, 7.2; RFC 3986, 3.2.2)."""


def new_secret() -> str:
    """Return a secret of 128 random bits, as text for a path."""
    return secrets.token_urlsafe(SECRET_BYTES)


@dataclass(frozen=True, slots=True)
class ServedAddress:
    """An address to listen on, and the secret part of the path that gives access.

    Loopback needs the secret too, because every user of this computer can connect to it.
    """

    address: str
    port: int
    secret: str = field(default_factory=new_secret, repr=False)

    @property
    def of_this_computer(self) -> bool:
        """Whether the address is loopback, to which only this computer can connect."""
        return ipaddress.ip_address(self.address).is_loopback

    @property
    def path(self) -> str:
        """The beginning of all paths, with the secret; ends in a slash."""
        return f"/{self.secret}/"

    def is_secret(self, claimed: str) -> bool:
        """Return whether `claimed` is the secret, in a time that shows nothing of the secret."""
        return bool(self.secret) and secrets.compare_digest(
            claimed.encode("utf-8", "replace"), self.secret.encode()
        )

    def url(self, port: int) -> str:
        """Return the URL to open in a browser; `port` is the port in use."""
        address = ipaddress.ip_address(self.address)
        if address.is_unspecified:
            address = ipaddress.ip_address(_own_address())
        host = f"[{address}]" if address.version == 6 else str(address)
        return f"http://{host}:{port}{self.path}"

    def allows(self, host: str, origin: str | None) -> bool:
        """Return whether a request may be answered.

        Args:
            host: the header ``Host``; a malformed one is refused. On loopback it must name this
                computer: a site whose name resolves to this address sends that name.
            origin: the header ``Origin``; None: there is none. A page of another site sends the
                name of that site, and is refused.
        """
        try:
            asking, named = origin and urlsplit(origin).netloc, urlsplit(f"//{host}").hostname
        except ValueError:
            return False
        if _HOST.fullmatch(host) is None or asking not in {None, host}:
            return False
        return not self.of_this_computer or _names_loopback(named)


def parse_served_address(address: str, port: int) -> ServedAddress:
    """Return the address to serve on, with a new secret.

    Raises:
        UsageError: `address` is not an IP address or ``localhost``.
    """
    try:
        parsed = ipaddress.ip_address(LOOPBACK if address == "localhost" else address)
    except ValueError:
        raise UsageError(
            f"'{printable(address)}' is no address to serve pages on: give one of this computer, "
            "such as 127.0.0.1, or 0.0.0.0 for all of them."
        ) from None
    return ServedAddress(str(parsed), port)


def _names_loopback(host: str | None) -> bool:
    """Return whether `host` is ``localhost`` or a loopback address."""
    if host is None or host == "localhost":
        return host is not None
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _own_address() -> str:
    """Return this computer's address on the network; loopback if there is no network."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(DOCUMENTATION_ADDRESS)
        except OSError:
            return LOOPBACK
        return str(probe.getsockname()[0])
