"""Plain addresses, such as ``192.168.1.20:5025`` or ``COM3``, as resource strings.

An address by which only one thing can be meant is understood. To another one the answer is a
sentence with the resource strings that may be meant, ready to be typed.
"""

import os
import re
from pathlib import Path
from typing import Final

from benchwatch.bus.file_wire import STANDARD_INPUT, file_of
from benchwatch.errors import UsageError
from benchwatch.quantity import printable
from benchwatch.reading import TYPED

SOCKET_PORT: Final = 5025
"""The usual port of raw sockets of instruments (IANA service name scpi-raw)."""
HISLIP_PORT: Final = 4880
"""The port of HiSLIP (IANA service name hislip)."""
HIGHEST_GPIB: Final = 30
"""IEEE 488.1: primary addresses are 0 to 30."""
HIGHEST_PORT: Final = 65535
_HOST: Final = re.compile(r"(?=.{1,253}\Z)[A-Za-z0-9](?:[A-Za-z0-9._-]*[A-Za-z0-9])?", re.ASCII)
_NUMBERS: Final = re.compile(r"\d+(?:\.\d+)*", re.ASCII)
_HOST_AND_PORT: Final = re.compile(r"(\[[^\[\]]*\]|[^:\[\]/]+):(\d{1,9})", re.ASCII)
_IPV6: Final = re.compile(
    r"\[[0-9A-Fa-f:.%\w]*\]|[0-9A-Fa-f]{0,4}(?::[0-9A-Fa-f]{0,4}){2,7}", re.ASCII
)
_SERIAL_DEVICE: Final = re.compile(
    r"(/dev/(?:tty[A-Za-z]|cu\.|pts/\d|serial/|rfcomm\d)[^,:\s]*)(,[^:\s]*)?", re.ASCII
)
_DEVICE_NAME: Final = re.compile(r"tty(?:ACM|AMA|S|USB)\d{1,3}(?:,[^:\s]*)?", re.ASCII)
_SETTINGS: Final = r"(,[^:\s]*)?"
_COM_PORT: Final = re.compile(rf"COM([1-9]\d{{0,2}}):?{_SETTINGS}", re.ASCII | re.IGNORECASE)
_COM_AND_RATE: Final = re.compile(r"COM[1-9]\d{0,2}:\d[^:\s]*", re.ASCII | re.IGNORECASE)
_GPIB: Final = re.compile(
    r"GPIB(?P<board>\d{0,2})(?:[ :,]+(?P<address>\d{1,3}))?", re.ASCII | re.IGNORECASE
)
_FILE_ENDINGS: Final = (".csv", ".txt", ".log", ".dat", ".tsv", ".jsonl", ".json", ".toml", ".gz")


def understood_resource(text: str, *, windows: bool = os.name == "nt") -> str:
    """Return the resource that `text` means; one that is no plain address is returned as it is.

    Args:
        text: what a person wrote: a resource string, a file, or a plain address.
        windows: whether serial ports have the names of Windows.

    Raises:
        UsageError: more than one thing can be meant, or nothing that can be opened.
    """
    address = text.strip()
    device = _SERIAL_DEVICE.fullmatch(address)
    if device is not None and not Path(device[1]).is_file():
        return f"ASRL{device[1]}{device[2] or ''}::INSTR"
    if _is_written_out(address):
        return text
    return _understood(address, windows=windows) or text


def resource_meant(text: str) -> str:
    """Return the resource that `text` means; `text` itself where that is not one alone."""
    try:
        return understood_resource(text.strip())
    except UsageError:
        return text.strip()


def _is_written_out(address: str) -> bool:
    """Return whether an address is a file, standard input or a resource string.

    Raises:
        UsageError: it is an IPv6 address.
    """
    if address in {"", STANDARD_INPUT, TYPED} or file_of(address) is not None:
        return True
    host = address.rpartition("]:")[0] + "]" if "]:" in address else address
    if _IPV6.fullmatch(host):
        raise UsageError(
            f"'{printable(address, 100)}' is an IPv6 address, which can't stand in a resource "
            "string. Type the counter's host name or IPv4 address, such as "
            f"192.168.1.20:{SOCKET_PORT}."
        )
    return "::" in address or address.upper().startswith("ASRL")


def _understood(address: str, *, windows: bool) -> str | None:
    """Return the resource that a plain address means; None where it is none."""
    if port := _COM_PORT.fullmatch(address):
        return _com_port(address, port, windows=windows)
    if _COM_AND_RATE.fullmatch(address):  # before host and port
        right = address.replace(":", ",", 1)
        raise UsageError(
            f"'{printable(address, 60)}': the settings of a serial port go behind a comma. "
            f"Type {printable(right, 60)}."
        )
    if gpib := _GPIB.fullmatch(address):  # before host and port, as in GPIB:5
        return _gpib(address, gpib)
    if _DEVICE_NAME.fullmatch(address):
        raise UsageError(
            f"'{address}' is the name of a serial port without its folder. Type /dev/{address}."
        )
    if host_and_port := _HOST_AND_PORT.fullmatch(address):
        return _socket(address, host_and_port[1], int(host_and_port[2]))
    if address.isascii() and address.isdigit():
        raise UsageError(
            f"'{printable(address, 60)}' alone is no counter. A port goes behind its host, such as "
            f"192.168.1.20:{SOCKET_PORT}, a GPIB address behind its bus, such as 'GPIB 5'."
        )
    if address.lower().endswith(_FILE_ENDINGS):
        raise UsageError(
            f"there is no file '{printable(address, 100)}' here. Start the program that writes it, "
            "or check its name and folder."
        )
    if candidates := resources_of_host(address):
        listed = ", ".join(f"{resource} ({way})" for resource, way in candidates.items())
        raise UsageError(
            f"'{address}' does not say how the counter is reached. Type one of: {listed}; "
            f"benchwatch find {address} asks there in each way.{_or_else(address)}"
        )
    return None


def resources_of_host(text: str) -> dict[str, str]:
    """Return the resources that a host alone may mean, each with the way it is reached.

    Empty where `text` is no host name and no IPv4 address.

    Raises:
        UsageError: it looks like an IPv4 address, and is none.
    """
    host = text.strip()
    if (
        _HOST.fullmatch(host) is None
        or host.isdigit()
        or file_of(host) is not None
        or host.lower().endswith(_FILE_ENDINGS)
        or _COM_PORT.fullmatch(host)
        or _GPIB.fullmatch(host)
        or _DEVICE_NAME.fullmatch(host)
        or host == TYPED
    ):
        return {}
    _check_numbers(host)
    return {
        f"TCPIP0::{host}::{SOCKET_PORT}::SOCKET": "a raw socket, at its usual port",
        f"TCPIP0::{host}::hislip0::INSTR": "HiSLIP",
        f"TCPIP0::{host}::INSTR": "VXI-11",
    }


def _check_numbers(host: str) -> None:
    """Refuse a host of numbers that is no IPv4 address."""
    if not _NUMBERS.fullmatch(host):
        return
    numbers = host.split(".")
    if len(numbers) != 4 or any(int(one) > 255 for one in numbers):
        raise UsageError(
            f"'{printable(host, 60)}' is no IPv4 address: it has four numbers up to 255, such as "
            "192.168.1.20."
        )


def _socket(address: str, host: str, port: int) -> str:
    shown = printable(address, 100)
    if not _HOST.fullmatch(host):
        raise UsageError(
            f"'{shown}': '{printable(host, 60)}' is no host name or IPv4 address. "
            f"Write it like 192.168.1.20:{SOCKET_PORT}."
        )
    _check_numbers(host)
    if not 0 < port <= HIGHEST_PORT:
        raise UsageError(f"'{shown}': a port is a number from 1 to {HIGHEST_PORT}.")
    if port == HISLIP_PORT:
        return f"TCPIP0::{host}::hislip0::INSTR"
    return f"TCPIP0::{host}::{port}::SOCKET"


def _com_port(address: str, port: re.Match[str], *, windows: bool) -> str:
    if windows:
        return f"ASRL{port[1]}{port[2] or ''}::INSTR"
    raise UsageError(
        f"'{address}' is the name of a serial port on Windows. Here it is called like "
        f"/dev/ttyUSB0{port[2] or ''}; benchwatch find lists those that there are."
    )


def _gpib(address: str, gpib: re.Match[str]) -> str:
    number, board = gpib["address"], gpib["board"] or "0"
    if number is None:
        likely = board if gpib["board"] and int(board) <= HIGHEST_GPIB else "5"
        raise UsageError(
            f"'{address}' does not say which address on the bus. Type GPIB0::{likely}::INSTR for "
            f"address {likely} of the first bus; benchwatch find lists the instruments."
        )
    if int(number) > HIGHEST_GPIB:
        raise UsageError(f"'{address}': a GPIB address is a number from 0 to {HIGHEST_GPIB}.")
    return f"GPIB{int(board)}::{int(number)}::INSTR"


def _or_else(address: str) -> str:
    """Return what a word without dots may be instead, as a sentence."""
    if "." in address:
        return ""
    return " The name of a counter in a bench file needs --bench FILE, a simulated bench --sim."
