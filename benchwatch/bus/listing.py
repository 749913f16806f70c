"""What can be listed without opening anything: serial ports, and what VISA libraries see.

Listing a bus can broadcast on every network of this computer and take seconds, so each bus is
a lister of its own, and who calls it knows which ones stay on this computer.
"""

import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from benchwatch.bus.exception_mapping import backend_failed
from benchwatch.bus.opening import DEFAULT_BACKEND
from benchwatch.quantity import printable


@dataclass(frozen=True, slots=True)
class ListedResource:
    """One resource that is there, or was there a moment ago."""

    resource: str
    about: str = ""
    """What the computer knows of it, such as the name of a USB adapter; plain text."""


@dataclass(frozen=True, slots=True)
class ResourceLister:
    """One way of finding resources."""

    name: str
    """What is looked at, for people: ``serial ports``."""
    is_local: bool
    """True when nothing leaves this computer."""
    list: Callable[[], Sequence[ListedResource]]
    """May take seconds, and may raise whatever the libraries below raise."""


def serial_ports() -> list[ListedResource]:
    """List the serial ports of this computer; none is opened, and it takes a millisecond."""
    from serial.tools.list_ports import comports  # noqa: PLC0415 - only where it is listed

    ports = []
    for port in sorted(comports()):
        name = port.device[3:] if sys.platform == "win32" else port.device
        about = port.description if port.description not in {None, "n/a"} else ""
        ports.append(ListedResource(f"ASRL{name}::INSTR", printable(about or "")))
    return ports


def listers(backend: str = DEFAULT_BACKEND) -> list[ResourceLister]:
    """Return every way of finding resources, the quick ones first."""
    found = [ResourceLister("serial ports", True, serial_ports)]
    if backend == DEFAULT_BACKEND:
        return [*found, *_python_listers()]
    stays_here = backend.endswith("@sim")
    return [
        *found,
        ResourceLister(f"VISA {printable(backend)}", stays_here, partial(_visa, backend)),
    ]


def _visa(backend: str) -> list[ListedResource]:
    import pyvisa  # noqa: PLC0415 - costs 80 ms, and most commands open no link

    try:
        names = pyvisa.ResourceManager(backend).list_resources("?*")
    except Exception as error:
        raise backend_failed(error, backend) from error
    return [ListedResource(name) for name in names]


def _python_listers() -> Iterator[ResourceLister]:
    """Take PyVISA-py's list apart by bus: USB and GPIB answer at once, the network does not."""
    try:
        from pyvisa_py.sessions import Session  # noqa: PLC0415 - only where it is listed

        classes = list(Session.iter_valid_session_classes())
    except (ImportError, AttributeError):
        # another version that is built differently: its list as a whole
        yield ResourceLister("VISA", False, partial(_visa, DEFAULT_BACKEND))
        return
    for (interface, kind), session in sorted(classes, key=lambda item: _is_network(item[0][0])):
        if interface.name != "asrl" and kind in {"INSTR", "RAW"}:
            network = _is_network(interface)
            name = "network (broadcast)" if network else f"{interface.name.upper()} {kind}"
            yield ResourceLister(name, not network, partial(_class_list, session))


def _class_list(session: Any) -> list[ListedResource]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what can't be looked for is said by `backends`
        return [ListedResource(str(name)) for name in session.list_resources()]


def _is_network(interface: Any) -> bool:
    return interface.name not in {"usb", "gpib", "asrl"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Backend:
    """One VISA library that PyVISA could use."""

    name: str
    """As ``--backend`` takes it, such as ``@py``."""
    usable: bool
    version: str = ""
    buses: tuple[tuple[str, str], ...] = ()
    """Bus and what the library says of it; empty text where it simply works."""
    trouble: str = ""


def backends() -> list[Backend]:
    """Ask PyVISA which VISA libraries there are, and each of them what it can do."""
    try:
        from pyvisa import highlevel  # noqa: PLC0415 - costs 80 ms, and most open no link
    except ImportError as error:
        return [Backend(name="@py", usable=False, trouble=f"PyVISA can't be imported: {error}")]
    return [_backend(highlevel, name) for name in highlevel.list_backends()]


def _backend(highlevel: Any, name: str) -> Backend:
    try:
        wrapper = highlevel.get_wrapper_class(name)
        if name == "ivi" and not wrapper.get_library_paths():
            return Backend(
                name="@ivi", usable=False, trouble="no vendor's VISA library is installed"
            )
        said = dict(wrapper.get_debug_info())
    except Exception as error:  # noqa: BLE001 - any library may be broken in any way
        return Backend(
            name=f"@{name}",
            usable=False,
            trouble=f"{type(error).__name__}: {printable(str(error))}",
        )
    version = str(said.pop("Version", ""))
    buses = tuple((bus, _trouble(text)) for bus, text in said.items()) if name == "py" else ()
    return Backend(name=f"@{name}", usable=True, version=printable(version), buses=buses)


def _trouble(said: Any) -> str:
    """Return what a library complains of for one bus; '' when it works."""
    lines = [str(line) for line in said] if isinstance(said, list) else str(said).splitlines()
    if lines and lines[0].startswith("Available"):
        disabled = [line.strip(" -") for line in lines if "disabled" in line]
        return printable(f"finding {disabled[0]}", 300) if disabled else ""
    return printable(" ".join(lines), 300)
