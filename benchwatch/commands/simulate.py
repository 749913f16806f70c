"""``benchwatch simulate``: a simulated bench, served until interrupted."""

import signal
import threading

import click

from benchwatch.commands.common.completed_words import SIMULATED_BENCHES
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.errors import INTERRUPTED
from benchwatch.quantity import parse_frequency
from benchwatch_simulators.bench.simulated_bench import open_bench
from benchwatch_simulators.faults import FAULT_KINDS, parse_fault


@click.command()
@click.argument("name", default="station", shell_complete=SIMULATED_BENCHES)
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
@click.option("--json", "as_json", is_flag=True, help="A line a counter, for programs.")
def simulate(
    *, name: str, port: int, seed: int | None, faults: tuple[str, ...], as_json: bool
) -> int:
    """Serve a simulated bench on this computer until interrupted.

    NAME is a bench that comes with the program, or the path of a bench file. Standard
    output gets a line a counter: its name, a blank, its resource string.
    """
    script = [parse_fault(text) for text in faults]
    stop = threading.Event()
    for number in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, number):
            signal.signal(getattr(signal, number), lambda *_: stop.set())
    with open_bench(name, port=port, seed=seed, faults=script) as bench:
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
            f"seed {bench.seed}; control port {bench.control_port} turns the trimmer and moves "
            "the tool."
        )
        narrate("Ctrl-C ends it.")
        stop.wait()
    return INTERRUPTED
