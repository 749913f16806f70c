"""Which simulated benches come with the package."""

from importlib.resources import files


def bench_names() -> list[str]:
    """Return the names of the package's own benches, sorted."""
    folder = files("benchwatch_simulators") / "benches"
    return sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name[-5:] == ".toml")
