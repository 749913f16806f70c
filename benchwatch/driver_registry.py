"""The drivers by name, and where each comes from.

Drivers come from four places. Of two drivers with one name, the one from the earlier place is used
and the other is reported:

1. drivers that come with Benchwatch (entry-point group ``benchwatch.drivers``);
2. profiles that come with Benchwatch (group ``benchwatch.profiles``: see `Profiles`);
3. the user's own profiles: ``profiles/*.toml`` in the configuration folder;
4. drivers of other distributions (group ``benchwatch.drivers``).

A driver is imported, and a profile read, only when it is needed; a broken one is reported and
left out.
"""

import inspect
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Final, Literal, Protocol, cast

import platformdirs

from benchwatch.bus.file_wire import file_of
from benchwatch.counter import DEFAULT_DRIVER, Counter, Link
from benchwatch.errors import DriverError
from benchwatch.quantity import printable
from benchwatch.system.file_names import home_path

DRIVERS_GROUP: Final = "benchwatch.drivers"
PROFILES_GROUP: Final = "benchwatch.profiles"
BUNDLED: Final = "benchwatch"
"""Name of the distribution whose drivers are the bundled ones."""
FILE_DRIVER: Final = "lines"
"""Driver of a file, a pipe or standard input for which none is named."""

Driver = Callable[[Link], Counter]
DriverKind = Literal["driver", "profile"]


def default_driver(resource: str) -> str:
    """Return the driver of `resource` where none is named."""
    return DEFAULT_DRIVER if file_of(resource) is None else FILE_DRIVER


class Profiles(Protocol):
    """The interface of an entry point of the group ``benchwatch.profiles``."""

    def bundled(self) -> Sequence[Path]:
        """Return the files of the bundled profiles."""

    def load(self, path: Path) -> Driver:
        """Return the driver of the profile in `path`; raises DriverError where it can't be used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverInfo:
    """A driver as listed, before it is loaded."""

    name: str
    kind: DriverKind
    origin: str
    """The distribution or the file that the driver comes from."""
    bundled: bool
    source: EntryPoint | Path

    def load(self) -> Driver:
        """Import the driver, or read the profile.

        Raises:
            DriverError: the driver is broken; the message names its origin.
        """
        if isinstance(self.source, Path):
            return _profile(self.source)
        try:
            loaded = self.source.load()
        except BaseException as error:  # a third party's module may raise any, SystemExit too
            raise DriverError(
                f"the driver '{self.name}' of the package '{self.origin}' can't be loaded: "
                f"{type(error).__name__}: {printable(str(error), 200)}. "
                "Reinstall or remove that package."
            ) from error
        if not callable(loaded):
            raise DriverError(
                f"the driver '{self.name}' of the package '{self.origin}' is no class that takes "
                "a link. Reinstall or remove that package."
            )
        return cast("Driver", loaded)

    def about(self, loaded: Driver) -> str:
        """Return which counters the loaded driver is for, in a few words; or ''."""
        try:
            family = str(getattr(loaded, "family", ""))
            return family or (inspect.getdoc(loaded) or "").split("\n", 1)[0]
        except BaseException as error:
            raise DriverError(
                f"the driver '{self.name}' of '{self.origin}' can't say what it is for: "
                f"{type(error).__name__}: {printable(str(error), 200)}. Reinstall or remove it."
            ) from error

    def accepts(self, loaded: Driver, method: str, text: str) -> bool:
        """Return whether the loaded driver ``recognises`` an identity, or ``reads`` a line.

        Args:
            loaded: the driver.
            method: ``recognises`` or ``reads``.
            text: the identity, or the line.

        Returns:
            False also when the driver has no such method.

        Raises:
            DriverError: the method raised; the message names the driver's origin.
        """
        try:
            test = getattr(loaded, method, None)
            return callable(test) and bool(test(text))
        except BaseException as error:
            raise DriverError(
                f"the driver '{self.name}' of '{self.origin}' can't say whether it {method} "
                f"'{printable(text)}': {type(error).__name__}: {printable(str(error), 200)}. "
                "It is passed over. Reinstall or remove it."
            ) from error


@dataclass(slots=True)
class DriverRegistry:
    """All drivers by name, and a sentence for each that can't be used."""

    found: dict[str, DriverInfo] = field(default_factory=dict)
    troubles: list[str] = field(default_factory=list)

    def add(self, info: DriverInfo) -> None:
        """Add a driver; report it instead where its name is taken."""
        first = self.found.setdefault(info.name, info)
        if first is not info:
            self.troubles.append(
                f"two drivers are called '{info.name}': the one of {first.origin} is used, and "
                f"the one of {info.origin} is not. Rename that."
            )

    def usable(self) -> dict[str, Driver]:
        """Load every driver; a broken one is reported in `troubles` and left out."""
        loaded: dict[str, Driver] = {}
        for name, info in self.found.items():
            try:
                loaded[name] = info.load()
            except DriverError as error:
                self.troubles.append(str(error))
        return loaded


def own_profiles() -> Path:
    """Return the folder of the user's own profiles, which may not exist."""
    return platformdirs.user_config_path("benchwatch") / "profiles"


def drivers() -> DriverRegistry:
    """List all drivers without loading any."""
    registry = DriverRegistry()
    for info in _all():
        registry.add(info)
    return registry


def driver(name: str) -> Driver:
    """Load the driver called `name`, or the profile in the file of that name.

    Raises:
        DriverError: there is none of that name, or it is broken.
    """
    if name.lower().endswith(".toml"):
        return _profile(home_path(name))
    known: list[str] = []
    for info in _all():
        if info.name == name:
            return info.load()
        known.append(info.name)
    near = get_close_matches(name, known, n=1)
    hint = f" Did you mean '{near[0]}'?" if near else ""
    raise DriverError(
        f"there is no driver '{printable(name)}'.{hint} There are: "
        f"{', '.join(sorted(set(known))) or 'none'}; or give the file of a profile, NAME.toml, "
        f"or put it into {own_profiles()}."
    )


def _all() -> Iterator[DriverInfo]:
    """Yield every driver in the order of precedence; a name may come more than once."""
    installed = sorted(_installed(), key=lambda info: (not info.bundled, info.origin, info.name))
    yield from (info for info in installed if info.bundled)
    reader = _reader()
    if reader is not None:
        for path in reader.bundled():
            yield DriverInfo(
                name=path.stem, kind="profile", origin=BUNDLED, bundled=True, source=path
            )
        for path in sorted(own_profiles().glob("*.toml")):
            yield DriverInfo(
                name=path.stem, kind="profile", origin=str(path), bundled=False, source=path
            )
    yield from (info for info in installed if not info.bundled)


def _installed() -> Iterator[DriverInfo]:
    for entry in entry_points(group=DRIVERS_GROUP):
        origin = entry.dist.name if entry.dist is not None else "unknown"
        yield DriverInfo(
            name=entry.name, kind="driver", origin=origin, bundled=origin == BUNDLED, source=entry
        )


def _profile(path: Path) -> Driver:
    """Read a profile; any error is raised as a DriverError."""
    reader = _profiles()
    try:
        return reader.load(path)
    except DriverError:
        raise
    except Exception as error:
        raise DriverError(
            f"the profile {printable(str(path), 200)} can't be used: {type(error).__name__}: "
            f"{printable(str(error), 200)}. Compare it with one that comes along."
        ) from error


def _profiles() -> Profiles:
    reader = _reader()
    if reader is None:
        raise DriverError(
            "this installation can't read profiles: nothing is published under "
            f"{PROFILES_GROUP}. Reinstall benchwatch."
        )
    return reader


def _reader() -> Profiles | None:
    """Load the reader of profiles that comes with Benchwatch; no other one is used."""
    for entry in entry_points(group=PROFILES_GROUP):
        if entry.dist is not None and entry.dist.name == BUNDLED:
            return cast("Profiles", entry.load())
    return None
