"""``benchwatch simulate``: a simulated bench, served until interrupted, or a list of them."""

import signal
import threading
from typing import Final

import click

from benchwatch.commands.common.command_with_parts import CommandWithParts
from benchwatch.commands.common.completed_words import SIMULATED_BENCHES
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.commands.common.register_options import refuse_options_before
from benchwatch.commands.simulated_stations.chain_command import chain
from benchwatch.errors import INTERRUPTED, UsageError
from benchwatch.quantity import parse_frequency
from benchwatch.report.blocks import align_table
from benchwatch.system.stop_signals import STOP_SIGNALS, wait_until_set
from benchwatch_simulators.bench.simulated_bench import open_bench
from benchwatch_simulators.bench.simulated_bench_file import own_plans
from benchwatch_simulators.faults import FAULT_KINDS, parse_fault

DEFAULT_BENCH: Final = "station"


@click.group(cls=CommandWithParts)
@click.argument("name", required=False, shell_complete=SIMULATED_BENCHES)
@click.option(
    "--list", "listing", is_flag=True, help="List the benches that come with the program."
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    help="Port of the first counter, the others follow; any free ones if left out.",
)
@click.option("--seed", type=click.IntRange(min=0), help="Makes the same noise again.")
@click.option(
    "--fault",
    "faults",
    metavar="[COUNTER=]KIND@TIME[+DURATION]",
    multiple=True,
    help=f"Let something go wrong, such as cut@30s or mute@10s+5s: {', '.join(FAULT_KINDS)}.",
)
@click.option("--json", "as_json", is_flag=True, help="A line a counter, or a bench, for programs.")
@click.pass_context
def simulate(
    context: click.Context,
    *,
    name: str | None = None,
    listing: bool,
    port: int,
    seed: int | None,
    faults: tuple[str, ...],
    as_json: bool,
) -> int:
    """Serve a simulated bench on this computer until interrupted; chain: many stations.

    NAME is a bench that comes with the program, station if left out, or the path of a bench
    file. Standard output gets a line a counter: its name, a blank, its resource string.
    """
    if context.invoked_subcommand is not None:
        refuse_options_before(context)
        return 0
    if listing:
        if name is not None or port or seed is not None or faults:
            raise UsageError("--list only lists the benches: leave the bench and its options out.")
        _list_benches(as_json=as_json)
        return 0
    script = [parse_fault(text) for text in faults]
    stop = threading.Event()
    for number in STOP_SIGNALS:
        signal.signal(number, lambda *_: stop.set())
    with open_bench(name or DEFAULT_BENCH, port=port, seed=seed, faults=script) as bench:
        for counter, resource in bench.resources.items():
            if as_json:
                nominal = parse_frequency(bench.nominals[counter])
                print_json(
                    {"kind": "counter", "name": counter, "resource": resource,
                     "driver": bench.drivers[counter], "nominal_hz": float(nominal),
                     "bench": bench.name, "seed": bench.seed,
                     "control_port": bench.control_port}
                )  # fmt: skip
            else:
                print_text(f"{counter} {resource}")
        narrate(f"simulated bench '{bench.name}': {bench.about}")
        narrate(
            f"seed {bench.seed}; control port {bench.control_port} turns the trimmer, moves the "
            "tool and dials the unit."
        )
        narrate("Ctrl-C ends it.")
        wait_until_set(stop)
    return INTERRUPTED


simulate.add_command(chain)


def _list_benches(*, as_json: bool) -> None:
    """Print a line a bench: its name, its counters, and what it shows."""
    plans = own_plans()
    if as_json:
        for plan in plans:
            print_json(
                {"kind": "bench", "name": plan.name, "about": plan.about,
                 "counters": list(plan.counters)}
            )  # fmt: skip
        return
    cells = [(plan.name, ", ".join(plan.counters), plan.about) for plan in plans]
    print_text(align_table(("bench", "counters", "shows"), cells))
