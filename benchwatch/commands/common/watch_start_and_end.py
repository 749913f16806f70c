"""What a watch says before its first reading, and how it closes what it has opened."""

from typing import TYPE_CHECKING

from benchwatch.bench import Bench
from benchwatch.commands.common.bench_text import reference_sentence
from benchwatch.commands.common.output import narrate
from benchwatch.errors import JournalError, RegisterError
from benchwatch.journal import Journal
from benchwatch.register.register_writer import RegisterWriter
from benchwatch.run.live_watch import LiveWatch
from benchwatch.run.watch_visits import WatchVisits

if TYPE_CHECKING:
    from benchwatch.relay.station.station_relay import RelayOptions
    from benchwatch_simulators.bench.simulated_bench import ServedBench


def introduce(
    served: "ServedBench | None",
    described: Bench | None,
    journal: Journal | None,
    opened: WatchVisits,
    sends: "RelayOptions | None",
) -> None:
    """Write to standard error what is watched, where it is kept and sent, and open visits.

    Args:
        served: the simulated bench; None: the counters are real.
        described: the bench file; None: there is none.
        journal: where readings are kept; None: nowhere.
        opened: the visits.
        sends: where events are sent, and as whom; None: nowhere.
    """
    if served is not None:
        name, about, seed = served.name, served.about, served.seed
        narrate(f"simulated bench '{name}': {about} (seed {seed})")
    if described is not None:
        narrate(reference_sentence(described))
    if journal is not None:
        narrate(f"journal: {journal.path}")
    if sends is not None:
        narrate(f"sent to the central record by {sends.address}, as station {sends.station}")
    for sentence in opened.passed_over:
        narrate(sentence)
    for sentence in opened.sentences:
        narrate(f"{sentence}; --no-resume begins another.")


def end_watch(run: LiveWatch, journal: Journal | None, register: RegisterWriter | None) -> int:
    """Disconnect the counters, send the rest, close register and journal; return the exit code."""
    run.stop()
    code = 0
    left = "" if register is None else register.close()
    if left:
        narrate(left)
        code = RegisterError.exit_code
    if run.relay is not None and (unsent := run.relay.stop()):
        narrate(unsent)
    if journal is None:
        return code
    try:
        journal.close()
    except JournalError as error:
        narrate(str(error))
        return error.exit_code
    finally:
        for sentence in run.new_notices():
            narrate(sentence)
    return code
