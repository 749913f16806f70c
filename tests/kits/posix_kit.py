"""Which files of tests can't be loaded on Windows: those that use terminals or limits of POSIX."""

import re
from pathlib import Path

POSIX_MODULES = frozenset({"fcntl", "grp", "pty", "pwd", "resource", "termios", "tty"})
_IMPORT = re.compile(r"^(?:import|from) +(?P<names>\w[\w.]*(?: *, *\w[\w.]*)*)", re.MULTILINE)


def posix_only(tests: Path) -> list[Path]:
    """Return the files in the folder `tests` that import a module of POSIX, or a kit that does."""
    names = {path: _imported(path) for path in sorted(tests.rglob("*.py"))}
    wanted = set(POSIX_MODULES)
    while True:
        found = [path for path, imported in names.items() if imported & wanted]
        kits = {path.stem for path in found if "kits" in path.parts}
        if kits <= wanted:
            return [path for path in found if path.name.startswith("test_")]
        wanted |= kits


def _imported(path: Path) -> set[str]:
    """Return the names of the modules that a file imports when it is loaded."""
    found: list[str] = _IMPORT.findall(path.read_text("utf-8"))
    return {name.strip().split(".")[0] for names in found for name in names.split(",")}
