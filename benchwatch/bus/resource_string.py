"""Resource strings: parsed and checked before anything is opened."""

import re
from dataclasses import dataclass
from typing import Final

from benchwatch.errors import UsageError
from benchwatch.quantity import printable

EXAMPLE: Final = "TCPIP0::192.168.1.20::5025::SOCKET"
LAN_GPIB_EXAMPLE: Final = "LANGPIB::192.168.1.30::1234::5"
SERIAL_EXAMPLE: Final = "ASRL/dev/ttyUSB0,19200,7E1::INSTR"
SERIAL_URLS: Final = ("socket", "rfc2217", "loop", "hwgrep")
"""Schemes of pySerial's URLs that are allowed for a device; another one writes to a file."""
_HIGHEST_PORT: Final = 65535
_HIGHEST_GPIB: Final = 30
_LAN_GPIB: Final = re.compile(
    r"LANGPIB\d*::([A-Za-z0-9._-]{1,253})::(\w{1,9})::(\d{1,2})(?:::INSTR)?", re.ASCII
)
_SETTINGS: Final = re.compile(r"([1-9]\d{1,6})(?:,([78][NEO][12]))?", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialSettings:
    """Speed and frame of a serial line."""

    baud: int
    data_bits: int = 8
    parity: str = "N"
    """``N``, ``E`` or ``O``."""
    stop_bits: int = 1

    def __str__(self) -> str:
        """Return them as written in a resource string."""
        return f"{self.baud},{self.data_bits}{self.parity}{self.stop_bits}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """A resource string in the spelling that the VISA libraries accept, and its parts."""

    resource: str
    interface: str
    """``TCPIP``, ``ASRL``, ``GPIB``, ``USB`` ..."""
    resource_class: str
    """``SOCKET``, ``INSTR`` ..."""
    host: str = ""
    port: int | None = None
    visa: str = ""
    """The string for the VISA library, without serial settings; '' behind a LAN controller."""
    gpib: int | None = None
    """GPIB address behind a LAN controller."""
    serial: SerialSettings | None = None

    @property
    def kind(self) -> tuple[str, str]:
        """Interface and resource class."""
        return self.interface, self.resource_class


def parse_address(resource: str) -> Address:
    """Parse a resource string.

    Raises:
        UsageError: it has no known form, or an invalid part; the message shows an example.
    """
    from pyvisa import rname  # noqa: PLC0415 - costs 80 ms, and most commands open no link

    written = _spelled(resource.strip())
    if written.startswith("MQTT::"):
        raise UsageError(
            f"'{printable(resource)}' is read at a station elsewhere, and no instrument is opened "
            "here: the command watch shows it."
        )
    if written.startswith("LANGPIB"):
        return _lan_gpib(resource, written)
    visa, settings = _serial(resource, written)
    try:
        name = rname.ResourceName.from_string(visa)
    except (ValueError, TypeError, IndexError) as error:
        raise UsageError(
            f"'{printable(resource)}' is no resource string that can be read. "
            f"Write it like {EXAMPLE}."
        ) from error
    if name.interface_type == "ASRL":
        _check_serial_url(resource, str(getattr(name, "board", "")))
    host = str(getattr(name, "host_address", ""))
    port = None
    if (name.interface_type, name.resource_class) == ("TCPIP", "SOCKET"):
        port = _port(resource, str(getattr(name, "port", "")))
        if not host.isprintable() or any(c in host for c in " /[]"):
            raise UsageError(
                f"'{printable(resource)}': '{printable(host)}' is no host name or IPv4 address. "
                f"Write it like {EXAMPLE}."
            )
    return Address(
        resource=written,
        interface=name.interface_type,
        resource_class=name.resource_class,
        host=host,
        port=port,
        visa=visa,
        serial=settings,
    )


def _lan_gpib(resource: str, written: str) -> Address:
    match = _LAN_GPIB.fullmatch(written)
    if match is None or int(match[3]) > _HIGHEST_GPIB:
        raise UsageError(
            f"'{printable(resource)}' is no counter behind a LAN-GPIB controller. Write host, "
            f"port and a GPIB address from 0 to {_HIGHEST_GPIB}, as in {LAN_GPIB_EXAMPLE}."
        )
    port = _port(resource, match[2])
    return Address(
        resource=written,
        interface="LANGPIB",
        resource_class="INSTR",
        host=match[1],
        port=port,
        gpib=int(match[3]),
    )


def _serial(resource: str, written: str) -> tuple[str, SerialSettings | None]:
    """Split ``ASRL/dev/ttyUSB0,19200,7E1::INSTR`` into its VISA string and its settings."""
    line, comma, settings = written.removesuffix("::INSTR").partition(",")
    if not (line.upper().startswith("ASRL") and comma):
        return written, None
    match = _SETTINGS.fullmatch(settings)
    if match is None:
        raise UsageError(
            f"'{printable(resource)}': '{printable(settings)}' can't be set on a serial line. "
            f"Write speed and frame, as in {SERIAL_EXAMPLE}."
        )
    frame = match[2] or "8N1"
    return f"{line}::INSTR", SerialSettings(
        baud=int(match[1]), data_bits=int(frame[0]), parity=frame[1], stop_bits=int(frame[2])
    )


def _check_serial_url(resource: str, board: str) -> None:
    scheme, is_url, _ = board.partition("://")
    if is_url and scheme.lower() not in SERIAL_URLS:
        raise UsageError(
            f"'{printable(resource)}': '{printable(scheme)}://' is no serial line that is opened "
            f"from here. Write the device, as in {SERIAL_EXAMPLE}."
        )


def _spelled(resource: str) -> str:
    """Put interface and class into capitals; leave all between them as it is."""
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
