"""Scripted counters for profiles, and profiles written on the spot."""

from collections.abc import Sequence
from pathlib import Path

from benchwatch_drivers.bundled_profiles import bundled, load
from benchwatch_drivers.profile.profile import Profile
from benchwatch_drivers.profile.profile_counter import ProfileCounter
from benchwatch_drivers.profile.profile_file import read_profile
from benchwatch_simulators.fake_bus import FakeLink, Script

MINIMUM = r"""
family = "counter of a made-up kind"
mode = "stream"

[line]
pattern = '(?P<number>\d{8}\.\d{4})'

[[examples]]
line = "10000000.0231"
value = "10000000.0231 Hz"
"""


def write_profile(folder: Path, text: str = MINIMUM, name: str = "mine") -> Path:
    """Write a profile into a folder; return its path."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.toml"
    path.write_text(text)
    return path


def profile_of(folder: Path, text: str) -> Profile:
    """Read a profile written on the spot."""
    return read_profile(write_profile(folder, text))


def bundled_profile(name: str) -> Profile:
    """Read the bundled profile called `name`."""
    (path,) = (path for path in bundled() if path.stem == name)
    return load(path).profile


class TalkingLink(FakeLink):
    """A counter that sends lines at given times, without being queried."""

    def __init__(self, lines: Sequence[tuple[float, str]], script: Script | None = None) -> None:
        super().__init__(script or {})
        self._coming.extend(lines)


def talking(name: str, lines: Sequence[tuple[float, str]]) -> tuple[ProfileCounter, TalkingLink]:
    """Return a counter of a bundled profile that sends `lines`, and its link."""
    link = TalkingLink(lines)
    return ProfileCounter(link, bundled_profile(name)), link


def asked(name: str, script: Script) -> tuple[ProfileCounter, FakeLink]:
    """Return a counter of a bundled profile that answers by `script`, identified, and its link."""
    link = FakeLink(script)
    counter = ProfileCounter(link, bundled_profile(name))
    counter.identify()
    return counter, link
