"""Where pages are served, and who may open them."""

import ipaddress
import secrets
import socket
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit

from benchwatch.errors import UsageError
from benchwatch.quantity import printable

LOOPBACK: Final = "127.0.0.1"
TOKEN_BYTES: Final = 16
ELSEWHERE: Final = ("192.0.2.1", 9)
"""An address that is nobody's (RFC 5737); asking for the way there sends nothing."""


@dataclass(frozen=True, slots=True)
class Place:
    """An address to listen on, and the secret part of the path, if there must be one."""

    address: str
    port: int
    token: str = ""

    @property
    def guarded(self) -> bool:
        """Whether only who knows the token gets in."""
        return bool(self.token)

    @property
    def path(self) -> str:
        """What all paths begin with; ends in a slash."""
        return f"/{self.token}/" if self.token else "/"

    def url(self, port: int) -> str:
        """Return the line to open in a browser, once it is known on which `port`."""
        address = ipaddress.ip_address(self.address)
        if address.is_unspecified:
            address = ipaddress.ip_address(_own_address())
        host = f"[{address}]" if address.version == 6 else str(address)
        return f"http://{host}:{port}{self.path}"

    def lets_in(self, host: str, origin: str | None) -> bool:
        """Tell whether a request may be answered.

        Args:
            host: the header of that name. On loopback it must name this computer: a page
                from elsewhere whose name was made to point here says its own.
            origin: the header of that name; None when absent. Where a page of another site
                asks, it says so here.
        """
        if origin is not None and urlsplit(origin).netloc != host:
            return False
        return self.guarded or _names_loopback(urlsplit(f"//{host}").hostname)


def place_of(address: str, port: int) -> Place:
    """Choose where to serve; any address but loopback gets a token.

    Raises:
        UsageError: it is no address.
    """
    try:
        known = ipaddress.ip_address(LOOPBACK if address == "localhost" else address)
    except ValueError:
        raise UsageError(
            f"'{printable(address)}' is no address to serve pages on: give one of this computer, "
            "such as 127.0.0.1, or 0.0.0.0 for all of them."
        ) from None
    token = "" if known.is_loopback else secrets.token_urlsafe(TOKEN_BYTES)
    return Place(str(known), port, token)


def _names_loopback(host: str | None) -> bool:
    if host is None or host == "localhost":
        return host is not None
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _own_address() -> str:
    """Return the address under which others reach this computer, or loopback when none do."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(ELSEWHERE)
        except OSError:
            return LOOPBACK
        return str(probe.getsockname()[0])
