"""How a missing package is added to this installation, in the words to type.

A program that pipx or uv installed has an environment of its own: pip would install the package
into another one. The files by which they are recognised are those of the tools' own documentation
(from memory): ``pipx_metadata.json`` and ``uv-receipt.toml`` in the environment's folder.
"""

import sys
import sysconfig
import tomllib
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Final

PROGRAM: Final = "benchwatch"
UV_CACHE: Final = "archive-v0"
"""The folder in uv's cache that holds the environments of uvx (from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Installation:
    """How this program was installed, as far as its environment tells."""

    prefix: Path
    """Folder of the environment."""
    has_pip: bool = True
    managed: bool = False
    """Whether the system's package manager manages this Python (PEP 668)."""

    def words(self, *packages: str) -> str:
        """Return the command that adds `packages` to this installation."""
        names = " ".join(packages)
        added = " ".join(f"--with {name}" for name in packages)
        if self._by_pipx:
            return f"pipx inject {_plain(self.prefix.name)} {names}"
        if self._receipt.is_file():
            kept = "".join(f"--with {name} " for name in _already(self._receipt))
            return f"uv tool install {kept}{added} {_source(self._receipt)}"
        if self._by_uvx:
            return f"in the source folder, uvx {added} --from . {PROGRAM}"
        if self.managed:
            return (
                "the system manages this Python: in the source folder, pipx install ., "
                f"then pipx inject {PROGRAM} {names}"
            )
        return f"pip install {names}" if self.has_pip else f"uv pip install {names}"

    def extra_words(self, extra: str) -> str:
        """Return the command that adds the libraries of an extra, such as ``web``."""
        source = f"'.[{extra}]'"
        command = "pip install" if self.has_pip else "uv pip install"
        if self._by_pipx:
            command = "pipx install --force"
        elif self._receipt.is_file():
            command = "uv tool install"
        elif self._by_uvx:
            return f"in the source folder, uvx --from {source} {PROGRAM}"
        elif self.managed:
            command = "pipx install"
        return f"in the source folder, {command} {source}"

    @property
    def _by_pipx(self) -> bool:
        return (self.prefix / "pipx_metadata.json").is_file()

    @property
    def _receipt(self) -> Path:
        return self.prefix / "uv-receipt.toml"

    @property
    def _by_uvx(self) -> bool:
        return UV_CACHE in self.prefix.parts


def this_installation() -> Installation:
    """Return how this process's program was installed."""
    return Installation(
        prefix=Path(sys.prefix), has_pip=find_spec("pip") is not None, managed=_is_managed()
    )


def install_words(*packages: str) -> str:
    """Return the command that adds `packages` to this installation."""
    return this_installation().words(*packages)


def extra_words(extra: str) -> str:
    """Return the command that adds the libraries of an extra to this installation."""
    return this_installation().extra_words(extra)


def _plain(text: str) -> str:
    """Return text of a file without what a terminal would obey."""
    return "".join(one if one.isprintable() else "?" for one in text)[:200]


def _is_managed() -> bool:
    """Return whether pip would refuse to install here (PEP 668)."""
    marker = Path(sysconfig.get_path("stdlib", sysconfig.get_default_scheme()))
    return sys.prefix == sys.base_prefix and (marker / "EXTERNALLY-MANAGED").is_file()


def _requirements(receipt: Path) -> list[dict[str, object]]:
    try:
        tool = tomllib.loads(receipt.read_text("utf-8")).get("tool")
    except (OSError, ValueError):
        return []
    listed = tool.get("requirements") if isinstance(tool, dict) else None
    return [one for one in listed if isinstance(one, dict)] if isinstance(listed, list) else []


def _already(receipt: Path) -> list[str]:
    """List the packages that were added before; without them uv would take them away again."""
    names = [str(one.get("name", "")) for one in _requirements(receipt)]
    return [_plain(name) for name in names if name and name != PROGRAM]


def _source(receipt: Path) -> str:
    """Return from where the program was installed, quoted where a shell needs it."""
    own = next((one for one in _requirements(receipt) if one.get("name") == PROGRAM), {})
    folder = own.get("directory") or own.get("editable") or own.get("path") or PROGRAM
    text = _plain(str(folder))
    return f"'{text}'" if " " in text else text
