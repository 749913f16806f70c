"""The simulated bench of ``watch --sim``."""

from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from benchwatch.commands.common.option_types import check_names, of_option
from benchwatch.errors import UsageError
from benchwatch.quantity import printable

if TYPE_CHECKING:
    from benchwatch_simulators.simulated_bench import ServedBench


@contextmanager
def simulated(
    resources: tuple[str, ...],
    bench_file: Path | None,
    sim: str | None,
    *,
    seed: int | None,
    faults: tuple[str, ...],
    nominals: tuple[tuple[str | None, Decimal], ...],
) -> Iterator["ServedBench | None"]:
    """Switch the simulated bench on, if one is asked for and what is asked of it fits."""
    if sim is None:
        if not resources and bench_file is None:
            raise UsageError(
                "nothing to watch: give a resource such as TCPIP0::192.168.1.20::5025::SOCKET, "
                "--bench for a bench file, or --sim for a simulated bench."
            )
        for option, given in (("--seed", seed is not None), ("--fault", bool(faults))):
            if given:
                raise UsageError(f"{option} is for a simulated bench: add --sim, or leave it out.")
        yield None
        return
    if bench_file is not None:
        raise UsageError("--sim and --bench exclude each other: choose one.")
    if resources:
        raise UsageError(
            f"--sim watches a simulated bench and '{printable(resources[0])}' is a resource: "
            "give one of them."
        )
    from benchwatch_simulators.faults import parse_fault  # noqa: PLC0415 - likewise
    from benchwatch_simulators.simulated_bench import open_bench  # noqa: PLC0415 - only here is it needed
    from benchwatch_simulators.simulated_bench_file import load_plan  # noqa: PLC0415 - likewise

    with of_option("--fault"):
        script = [parse_fault(text) for text in faults]
    check_names(nominals, load_plan(sim).counters)
    with open_bench(sim, seed=seed, faults=script) as bench:
        yield bench
