"""Lists resources without opening any: serial ports, and what VISA libraries find.

Listing a bus can broadcast on every network of this computer and take seconds. So each bus has a
lister of its own, which states whether it stays on this computer.
"""

import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from benchwatch.bus.exception_mapping import backend_failed
from benchwatch.bus.opening import DEFAULT_BACKEND
from benchwatch.quantity import printable
from benchwatch.system.devices import serial_resource


@dataclass(frozen=True, slots=True)
class ListedResource:
    """A resource that was present when it was listed."""

    resource: str
    about: str = ""
    """The computer's description, such as the name of a USB adapter; plain text."""


@dataclass(frozen=True, slots=True)
class ResourceLister:
    """One way of finding resources."""

    name: str
    """Kind of the listed resources, for people: ``serial ports``."""
    is_local: bool
    """True when nothing leaves this computer."""
    list: Callable[[], Sequence[ListedResource]]
    """Lists the resources; may take seconds, and may raise any exception of the libraries."""


def serial_ports() -> list[ListedResource]:
    """List the serial ports of this computer in about a millisecond; none is opened."""
    from serial.tools.list_ports import comports  # noqa: PLC0415 - needed only for listing

    ports = []
    for port in sorted(comports()):
        about = port.description if port.description not in {None, "n/a"} else ""
        ports.append(ListedResource(serial_resource(port.device), printable(about or "")))
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
    """Return a lister for each bus of PyVISA-py: USB and GPIB are quick, the network is slow."""
    try:
        from pyvisa_py.sessions import Session  # noqa: PLC0415 - needed only for listing

        classes = [
            (interface.name, kind, session.list_resources)
            for (interface, kind), session in Session.iter_valid_session_classes()
        ]
    except (ImportError, AttributeError, TypeError, ValueError):
        # a version of PyVISA-py that is built differently: list all its buses together
        yield ResourceLister("VISA", False, partial(_visa, DEFAULT_BACKEND))
        return
    for interface, kind, list_names in sorted(classes, key=lambda item: _is_network(item[0])):
        if interface != "asrl" and kind in {"INSTR", "RAW"}:
            network = _is_network(interface)
            name = "network (broadcast)" if network else f"{interface.upper()} {kind}"
            yield ResourceLister(name, not network, partial(_class_list, list_names))


def _class_list(list_names: Callable[[], Iterable[object]]) -> list[ListedResource]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # `backends` reports what can't be searched
        return [ListedResource(str(name)) for name in list_names()]


def _is_network(interface: str) -> bool:
    return interface not in {"usb", "gpib", "asrl"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Backend:
    """One VISA library that PyVISA could use."""

    name: str
    """As ``--backend`` takes it, such as ``@py``."""
    usable: bool
    version: str = ""
    buses: tuple[tuple[str, str], ...] = ()
    """Each bus, and what the library reports as wrong with it; '' where it works."""
    trouble: str = ""
    """Why it can't be used; '' when it can."""


def backends() -> list[Backend]:
    """Return the VISA libraries that PyVISA finds, and what each can do."""
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
        info = dict(wrapper.get_debug_info())
    except Exception as error:  # noqa: BLE001 - any library may be broken in any way
        return Backend(
            name=f"@{name}",
            usable=False,
            trouble=f"{type(error).__name__}: {printable(str(error))}",
        )
    version = str(info.pop("Version", ""))
    buses = tuple((bus, _trouble(text)) for bus, text in info.items()) if name == "py" else ()
    return Backend(name=f"@{name}", usable=True, version=printable(version), buses=buses)


def _trouble(info: Any) -> str:
    """Return what a library reports as wrong with one bus; '' when it works."""
    lines = [str(line) for line in info] if isinstance(info, list) else str(info).splitlines()
    if lines and lines[0].startswith("Available"):
        disabled = [line.strip(" -") for line in lines if "disabled" in line]
        return printable(f"finding {disabled[0]}", 300) if disabled else ""
    return printable(" ".join(lines), 300)
