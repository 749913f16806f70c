"""What the operator says of the measuring chain: by keys of the view Chain, and typed."""

from collections.abc import Callable, Sequence

from benchwatch.errors import UsageError
from benchwatch.screen.typed_commands import ChainChange, ChainCommand
from benchwatch.screen.watch_source import WatchSource

ChainAction = Callable[[], str]
"""Does something; returns a sentence for the operator, or raises a `BenchwatchError`."""


def chain_actions(watch: WatchSource, shown: Callable[[], str]) -> dict[str, ChainAction]:
    """Return what the keys of the view do, by id; `shown` gives the counter on the screen."""

    def run(action: ChainChange) -> str:
        return run_chain_command(watch, shown(), ChainCommand(action))

    return {
        "prove_chain": lambda: run("prove"),
        "record_chain": lambda: run("record proof"),
        "use_chain": lambda: run(_other(watch, shown())),
    }


def run_chain_command(watch: WatchSource, name: str, command: ChainCommand) -> str:
    """Do what was said; return a sentence for the operator.

    Args:
        watch: the watch.
        name: the counter on the screen.
        command: what was said.

    Raises:
        BenchwatchError: it can't be done; the message says why.
    """
    chain = watch.chain
    if chain is None:
        raise UsageError("nothing is compared here: benchwatch compare reads recordings.")
    match command.action:
        case "prove":
            return chain.prove(command.names or _offered(chain.offered(name)))
        case "record proof":
            return chain.record(name)
        case "use proof":
            return chain.use(name)
        case "drop proof":
            return chain.drop(name)


def _other(watch: WatchSource, name: str) -> ChainChange:
    """Return which of using and dropping the correction changes something now."""
    in_use = watch.counter(name).snapshot.proof is not None
    return "drop proof" if in_use else "use proof"


def _offered(names: Sequence[str]) -> Sequence[str]:
    """Return the counters to compare where none were named.

    Raises:
        UsageError: there are no others with the nominal of the counter on the screen.
    """
    if not names:
        raise UsageError(
            "no other counter has this nominal. Name the counters on one signal, such as: "
            "prove ten spare."
        )
    return names
