"""The bundled profiles, and the driver that any profile makes.

Published under the entry-point group ``benchwatch.profiles``, so that the registry can list
profiles without knowing their contents.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from benchwatch.counter import Link
from benchwatch.errors import ReplyError
from benchwatch_drivers.profile.profile import Profile
from benchwatch_drivers.profile.profile_counter import ProfileCounter
from benchwatch_drivers.profile.profile_file import read_profile
from benchwatch_drivers.profile.profile_line import LineReader

PROFILES_FOLDER: Final = Path(__file__).parent / "profiles"


@dataclass(frozen=True, slots=True)
class ProfileDriver:
    """A checked profile; called with a link it returns a counter."""

    profile: Profile

    @property
    def family(self) -> str:
        """Which counters it is for, in a few words."""
        return self.profile.family

    def recognises(self, identity: str) -> bool:
        """Return whether an answer to the identity query fits the profile."""
        form = self.profile.identity_pattern
        return form is not None and form.match(identity.strip()) is not None

    def reads(self, line: str) -> bool:
        """Return whether a line that came without a query is a reading by the profile."""
        if self.profile.mode != "stream":
            return False
        try:
            return LineReader(self.profile).read(line) is not None
        except ReplyError:
            return False

    def __call__(self, link: Link) -> ProfileCounter:
        """Make the counter behind `link`."""
        return ProfileCounter(link, self.profile)


def bundled() -> Sequence[Path]:
    """List the profiles that come with the program, by name."""
    return sorted(PROFILES_FOLDER.glob("*.toml"))


def load(path: Path) -> ProfileDriver:
    """Read the profile in `path`.

    Raises:
        DriverError: the file can't be read or is no profile; the message says where and why.
    """
    return ProfileDriver(read_profile(path))
