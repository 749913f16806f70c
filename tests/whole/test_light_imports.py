"""Heavy libraries are loaded only when needed, so that lines and short commands start soon."""

import pkgutil
import subprocess
import sys

import benchwatch

FRONT_ENDS = ("screen", "web", "lines", "report", "cli", "commands")
HEAVY = ("textual", "pyvisa", "scipy", "matplotlib")


def test_no_module_below_the_front_ends_loads_a_heavy_library() -> None:
    """A new interpreter imports each module, after which no heavy library is loaded."""
    names = [module.name for module in pkgutil.walk_packages(benchwatch.__path__, "benchwatch.")]
    below = [name for name in names if name.split(".")[1] not in FRONT_ENDS]
    script = (
        "import importlib, sys\n"
        f"for name in {below!r}:\n"
        "    importlib.import_module(name)\n"
        f"    loaded = [heavy for heavy in {HEAVY!r} if heavy in sys.modules]\n"
        "    assert not loaded, f'{name} loads {loaded}'\n"
    )

    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)

    assert done.returncode == 0, done.stderr
