"""``benchwatch doctor``: checks this computer, and says what is missing and what to do."""

import os
import re
import shutil
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Final

import click

from benchwatch.bus.listing import Backend, ListedResource, backends, serial_ports
from benchwatch.colours import colours_forced, colours_refused
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.driver_registry import DriverRegistry, drivers
from benchwatch.errors import BenchwatchError
from benchwatch.journal import default_path
from benchwatch.quantity import printable
from benchwatch.system.clocks import COARSE_S, measured_step_s
from benchwatch.system.devices import (
    access_advice,
    may_open,
    serial_device,
    usb_advice,
)
from benchwatch.system.installation import install_words

PACKAGES: Final = (
    "benchwatch", "pyvisa", "pyvisa-py", "pyserial", "textual", "numpy", "scipy",
    "click", "platformdirs", "google-re2",
)  # fmt: skip
OLDEST_PYTHON: Final = (3, 11)
LITTLE_SPACE_BYTES: Final = 200_000_000
"""Free space below which the disk is reported: a reading takes about 100 bytes, a month at one per
second about 300 million."""
SMALLEST_TERMINAL: Final = (80, 24)
"""Columns and lines."""
BUS_ADVICE: Final = {
    "USB": "counters on USB need it: {pyusb}, and a libusb of the system",
    "GPIB": "counters on GPIB need its kernel driver and Python binding, or a vendor's VISA "
    "(--backend @ivi)",
    "TCPIP": "it works; only find does not see these without zeroconf: {zeroconf}",
    "VICP": "only some oscilloscopes need it",
}
"""Advice for a bus that can't be used, by the beginning of its name; a package in braces stands for
how it is installed here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemCheck:
    """One check of this computer, and its result."""

    name: str
    good: bool | None
    """Passed (True) or failed (False); None: missing, but optional."""
    says: str
    advice: str = ""


@click.command()
@click.option("--json", "as_json", is_flag=True, help="A line a finding, for programs.")
def doctor(as_json: bool) -> int:
    """Say what is missing on this computer, and what to do about each.

    Versions, VISA libraries, permissions on serial ports and USB, drivers and profiles, the
    journal and its disk, the terminal. No instrument is opened or asked. The exit code is 1
    when something needs your hand; what is only missing if you need it (-) does not count.
    """
    bad = 0
    for found in _all_checks():
        bad += found.good is False
        if as_json:
            print_json(
                {"kind": "check", "name": found.name, "good": found.good, "says": found.says,
                 "advice": found.advice}
            )  # fmt: skip
            continue
        word = {True: "yes", False: "NO", None: "-"}[found.good]
        print_text(f"{found.name:<12} {word:<4} {printable(found.says, 400)}")
        if found.advice:
            print_text(f"{'':<17} {printable(found.advice, 300)}")
    if as_json:
        print_json({"kind": "end", "good": not bad})
    narrate("all is well" if not bad else f"{bad} thing{'s' if bad > 1 else ''} to see to")
    return BenchwatchError.exit_code if bad else 0


def _all_checks() -> Iterator[SystemCheck]:
    yield from check_versions()
    yield from check_visa(backends())
    yield from check_clock()
    yield from check_serial(serial_ports())
    yield from check_usb()
    yield from check_profiles(drivers())
    yield from check_journal(default_path())
    size = os.get_terminal_size(sys.stdout.fileno()) if sys.stdout.isatty() else None
    yield from check_terminal(size, os.environ, sys.stdout.encoding or "ascii")


def check_versions(python: tuple[int, ...] = sys.version_info[:3]) -> Iterator[SystemCheck]:
    """Check the versions of Python and of the packages that Benchwatch needs."""
    shown = ".".join(map(str, python[:3]))
    wanted = ".".join(map(str, OLDEST_PYTHON))
    old = tuple(python[:2]) < OLDEST_PYTHON
    yield SystemCheck(
        name="python",
        good=not old,
        says=shown,
        advice=f"install Python {wanted} or newer" if old else "",
    )
    there, missing = [], []
    for name in PACKAGES:
        try:
            there.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            missing.append(name)
    yield SystemCheck(name="packages", good=True, says=", ".join(there))
    if missing:
        yield SystemCheck(
            name="packages",
            good=False,
            says=f"missing: {', '.join(missing)}",
            advice=install_words(*missing),
        )


def check_visa(backends: list[Backend]) -> Iterator[SystemCheck]:
    """Check the VISA libraries, and which buses each supports."""
    if not any(backend.usable for backend in backends):
        yield SystemCheck(
            name="visa",
            good=False,
            says="no VISA library can be used",
            advice=install_words("pyvisa-py"),
        )
    for backend in backends:
        name = f"visa {backend.name}"
        if not backend.usable:
            advice = "needed only for GPIB or USB through a vendor's VISA"
            yield SystemCheck(
                name=name,
                good=None,
                says=backend.trouble,
                advice=advice if backend.name == "@ivi" else "",
            )
            continue
        works = ", ".join(bus for bus, trouble in backend.buses if not trouble)
        yield SystemCheck(
            name=name, good=True, says=" ".join(filter(None, [backend.version, works])) or "usable"
        )
        for bus, trouble in backend.buses:
            advice = next(
                (_filled(text) for begins, text in BUS_ADVICE.items() if bus.startswith(begins)), ""
            )
            if trouble:
                why = trouble.split(". ", 1)[0].rstrip(".")
                yield SystemCheck(name=name, good=None, says=f"{bus}: {why}", advice=advice)


def check_clock(step_s: float | None = None) -> Iterator[SystemCheck]:
    """Check how finely this computer tells the time of day; `step_s`: None to measure it."""
    if step_s is None:
        step_s = measured_step_s(time.time)
    coarse = step_s > COARSE_S
    yield SystemCheck(
        name="clock",
        good=None if coarse else True,
        says=f"readings are dated to {step_s * 1e3:.3g} ms; spans are finer"
        if coarse
        else "readings are dated to a millisecond",
        advice="Python 3.13 or newer dates them finer on this system" if coarse else "",
    )


def check_serial(ports: list[ListedResource]) -> Iterator[SystemCheck]:
    """Check whether the serial ports may be opened; none is opened."""
    if not ports:
        yield SystemCheck(name="serial ports", good=None, says="there are none")
    for port in ports:
        device = serial_device(port.resource)
        about = f"{device} ({port.about})" if port.about else device
        allowed = may_open(device)
        yield SystemCheck(
            name="serial ports",
            good=allowed,
            says=about if allowed else f"you may not open {about}",
            advice="" if allowed else access_advice(Path(device)),
        )


def check_usb(devices: Path = Path("/sys/bus/usb/devices"), nodes: Path = Path("/dev/bus/usb")) \
        -> Iterator[SystemCheck]:  # fmt: skip
    """Check whether USB instruments (class FE, subclass 03: USBTMC 1.0, 4.2) may be opened."""
    if sys.platform == "win32":
        yield SystemCheck(
            name="usb", good=None, says="only opening an instrument shows whether it can be",
            advice=f"where it can't: {usb_advice()}",
        )  # fmt: skip
        return
    for interface in sorted(devices.glob("*:*")):
        kind = [_first_text(interface / name) for name in ("bInterfaceClass", "bInterfaceSubClass")]
        if kind != ["fe", "03"]:
            continue
        device = devices / interface.name.split(":", 1)[0]
        about = printable(_first_text(device / "product") or device.name)
        number = [_first_text(device / name).zfill(3) for name in ("busnum", "devnum")]
        node = nodes.joinpath(*number)
        if os.access(node, os.R_OK | os.W_OK):
            yield SystemCheck(name="usb", good=True, says=f"{about} at {node}")
        else:
            yield SystemCheck(
                name="usb", good=False, says=f"{about}: you may not open {node}",
                advice=usb_advice(),
            )  # fmt: skip


def check_journal(path: Path) -> Iterator[SystemCheck]:
    """Check whether the journal can be written, and whether its disk has room."""
    folder = next(parent for parent in path.parents if parent.exists())
    if not os.access(path if path.exists() else folder, os.W_OK):
        yield SystemCheck(
            name="journal", good=False, says=f"{path} can't be written",
            advice="make it yours, or give another place with --journal",
        )  # fmt: skip
        return
    free = shutil.disk_usage(folder).free
    shown = f"{path}; {free / 1e9:.1f} GB free"
    little = free < LITTLE_SPACE_BYTES
    yield SystemCheck(
        name="journal",
        good=not little,
        says=shown,
        advice="make room, or use --journal" if little else "",
    )


def check_profiles(registry: DriverRegistry) -> Iterator[SystemCheck]:
    """Check whether every driver and profile can be loaded."""
    usable = registry.usable()
    yield SystemCheck(name="drivers", good=True, says=", ".join(usable))
    for trouble in registry.troubles:
        yield SystemCheck(
            name="drivers", good=False, says=trouble, advice="benchwatch drivers lists them"
        )


def check_terminal(
    size: tuple[int, int] | None, environ: Mapping[str, str], encoding: str
) -> Iterator[SystemCheck]:
    """Check size, colours and characters of the terminal.

    Args:
        size: columns and lines; None without a terminal.
        environ: environment variables.
        encoding: encoding of standard output.
    """
    if size is None:
        yield SystemCheck(
            name="terminal",
            good=None,
            says="standard output is no terminal; lines are written there",
        )
        return
    columns, lines = SMALLEST_TERMINAL
    small = size[0] < columns or size[1] < lines
    advice = f"make it {columns} x {lines} or larger" if small else ""
    yield SystemCheck(
        name="terminal", good=not small, says=f"{size[0]} columns, {size[1]} lines", advice=advice
    )
    name = environ.get("TERM", "")
    if colours_refused(environ) and not colours_forced(environ):
        yield SystemCheck(
            name="colours",
            good=None,
            says="off, as NO_COLOR asks; words say everything that they do",
        )
    elif name in {"", "dumb"}:
        yield SystemCheck(
            name="colours",
            good=False,
            says=f"TERM is '{printable(name)}'",
            advice="set TERM=xterm-256color",
        )
    else:
        many = environ.get("COLORTERM", "") in {"truecolor", "24bit"}
        yield SystemCheck(
            name="colours",
            good=True,
            says=f"{printable(name)}, {'all' if many else '256 or fewer'}",
        )
    plain = not encoding.lower().replace("-", "").startswith("utf")
    advice = "use a UTF-8 locale, such as LANG=C.UTF-8; until then, it is drawn in ASCII"
    yield SystemCheck(
        name="characters",
        good=None if plain else True,
        says=encoding,
        advice=advice if plain else "",
    )


def _filled(advice: str) -> str:
    """Return advice with each package in braces replaced by how it is installed here."""
    return re.sub(r"\{(\w+)\}", lambda found: install_words(found[1]), advice)


def _first_text(path: Path) -> str:
    try:
        return path.read_text("utf-8", errors="replace").strip()
    except OSError:
        return ""
