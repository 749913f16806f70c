"""How a missing package is added to this installation, in the words to type.

A program that pipx or uv installed has an environment of its own: pip would install the package
into another one. The files by which they are recognised are those of the tools' own documentation
(from memory): ``pipx_metadata.json`` and ``uv-receipt.toml`` in the environment's folder.
"""

import sys
import sysconfig
import tomllib
from importlib.util import find_spec
from pathlib import Path
from typing import Final

from benchwatch.quantity import printable

PROGRAM: Final = "benchwatch"
UV_CACHE: Final = "archive-v0"
"""The folder in uv's cache that holds the environments of uvx (from memory)."""


def install_words(
    *packages: str,
    prefix: Path | None = None,
    has_pip: bool | None = None,
    managed: bool | None = None,
) -> str:
    """Return the command that adds `packages` to this installation.

    Args:
        packages: names of packages.
        prefix: folder of the environment; None: that of this process.
        has_pip: whether pip is in it; None: looked up.
        managed: whether the system's package manager manages it (PEP 668); None: looked up.
    """
    prefix = Path(sys.prefix) if prefix is None else prefix
    names = " ".join(packages)
    if (prefix / "pipx_metadata.json").is_file():
        return f"pipx inject {printable(prefix.name, 60)} {names}"
    receipt = prefix / "uv-receipt.toml"
    if receipt.is_file():
        wanted = " ".join(f"--with {name}" for name in (*_already(receipt), *packages))
        return f"uv tool install {wanted} {_source(receipt)}"
    if UV_CACHE in prefix.parts:
        wanted = " ".join(f"--with {name}" for name in packages)
        return f"in the source folder, uvx {wanted} --from . {PROGRAM}"
    if _is_managed() if managed is None else managed:
        return (
            "the system manages this Python: in the source folder, pipx install ., "
            f"then pipx inject {PROGRAM} {names}"
        )
    if find_spec("pip") is None if has_pip is None else not has_pip:
        return f"uv pip install {names}"
    return f"pip install {names}"


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
    return [printable(name, 60) for name in names if name and name != PROGRAM]


def _source(receipt: Path) -> str:
    """Return from where the program was installed, quoted where a shell needs it."""
    own = next((one for one in _requirements(receipt) if one.get("name") == PROGRAM), {})
    folder = own.get("directory") or own.get("editable") or own.get("path") or PROGRAM
    text = printable(str(folder), 200)
    return f"'{text}'" if " " in text else text
