"""What a resource string says, checked before anything is opened."""

from dataclasses import dataclass
from typing import Final

from benchwatch.errors import UsageError
from benchwatch.quantity import printable

EXAMPLE: Final = "TCPIP0::192.168.1.20::5025::SOCKET"
_HIGHEST_PORT: Final = 65535


@dataclass(frozen=True, slots=True)
class Address:
    """A resource string in the spelling that the VISA libraries accept, and its parts."""

    resource: str
    interface: str
    """``TCPIP``, ``ASRL``, ``GPIB``, ``USB`` ..."""
    resource_class: str
    """``SOCKET``, ``INSTR`` ..."""
    host: str = ""
    port: int | None = None

    @property
    def kind(self) -> tuple[str, str]:
        """What decides which wire is used."""
        return self.interface, self.resource_class


def parse_address(resource: str) -> Address:
    """Read a resource string.

    Raises:
        UsageError: no such form, or a port that is none; the message shows an example.
    """
    from pyvisa import rname  # noqa: PLC0415 - costs 80 ms, and most commands open no link

    written = _spelled(resource.strip())
    try:
        name = rname.ResourceName.from_string(written)
    except (ValueError, TypeError, IndexError) as error:
        raise UsageError(
            f"'{printable(resource)}' is no resource string that can be read. "
            f"Write it like {EXAMPLE}."
        ) from error
    host = str(getattr(name, "host_address", ""))
    port = None
    if (name.interface_type, name.resource_class) == ("TCPIP", "SOCKET"):
        port = _port(resource, str(getattr(name, "port", "")))
        if not host.isprintable() or any(c in host for c in " /[]"):
            raise UsageError(
                f"'{printable(resource)}': '{printable(host)}' is no host name or IPv4 address. "
                f"Write it like {EXAMPLE}."
            )
    return Address(written, name.interface_type, name.resource_class, host, port)


def _spelled(resource: str) -> str:
    """Put the interface and the class, and nothing between, in capitals."""
    parts = resource.split("::")
    if len(parts) > 1 and not parts[0].lower().startswith("asrl"):
        parts[0] = parts[0].upper()
    if parts[-1].lower() in {"socket", "instr", "intfc", "raw"}:
        parts[-1] = parts[-1].upper()
    return "::".join(parts)


def _port(resource: str, port: str) -> int:
    if not (port.isascii() and port.isdigit()) or not 0 < int(port) <= _HIGHEST_PORT:
        raise UsageError(
            f"'{printable(resource)}': '{printable(port)}' is no port. "
            f"Write a number from 1 to {_HIGHEST_PORT}, as in {EXAMPLE}."
        )
    return int(port)
