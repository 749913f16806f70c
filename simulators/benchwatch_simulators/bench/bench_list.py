"""Which simulated benches come with the package, and what each shows; light to import."""

import tomllib
from importlib.resources import files


def bench_names() -> list[str]:
    """Return the names of the package's own benches, sorted."""
    folder = files("benchwatch_simulators") / "benches"
    return sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name[-5:] == ".toml")


def what_benches_show() -> dict[str, str]:
    """Return one line on what each of the package's own benches shows, by name."""
    folder = files("benchwatch_simulators") / "benches"
    return {
        name: tomllib.loads((folder / f"{name}.toml").read_text("utf-8"))["about"]
        for name in bench_names()
    }
