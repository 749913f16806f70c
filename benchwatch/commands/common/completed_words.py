"""Words that the shell completes: numbers of runs, drivers, simulated benches, counters of a bench.

Each is found when the shell asks for it. What can't be read gives no words, and never an error:
nothing may be written to the terminal while somebody types.
"""

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchwatch.errors import BenchwatchError

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

MOST_RUNS = 200
"""Newest runs whose numbers are offered."""

Words = Iterable[tuple[str, str]]
"""Pairs of a word and what it means."""
Complete = Callable[[click.Context, click.Parameter, str], "list[CompletionItem]"]


def completed(words: Callable[[click.Context], Words]) -> Complete:
    """Return the completion of a parameter, for ``shell_complete=``.

    Args:
        words: finds the words, from the parameters that are typed already; it may raise any
            `BenchwatchError` and any error of reading a file.
    """

    def complete(
        ctx: click.Context, _param: click.Parameter, incomplete: str
    ) -> "list[CompletionItem]":
        from click.shell_completion import CompletionItem  # noqa: PLC0415 - only for completion

        found: list[CompletionItem] = []
        with _without_errors():
            found += [
                CompletionItem(word, help=about)
                for word, about in words(ctx)
                if word.startswith(incomplete)
            ]
        return found

    return complete


@contextmanager
def _without_errors() -> Iterator[None]:
    """Ignore what goes wrong while words are found."""
    try:
        yield
    except (BenchwatchError, OSError, ValueError):
        return


class RunNumber(click.IntRange):
    """The number of a run of a journal."""

    name = "number"

    def __init__(self) -> None:
        super().__init__(min=1)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> "list[CompletionItem]":
        """Return the numbers of the newest runs, newest first."""
        return completed(_run_numbers)(ctx, param, incomplete)


RUN_NUMBER = RunNumber()


def _run_numbers(ctx: click.Context) -> Words:
    from benchwatch.commands.common.run_table import local_minute  # noqa: PLC0415 - likewise
    from benchwatch.journal import default_path  # noqa: PLC0415 - likewise
    from benchwatch.journal.journal_reader import JournalReader  # noqa: PLC0415 - likewise
    from benchwatch.quantity import printable  # noqa: PLC0415 - likewise

    path = _typed_journal(ctx) or default_path()
    if not path.exists():
        return
    with JournalReader(path) as journal:
        for run in reversed(journal.runs(MOST_RUNS)):
            yield (
                str(run.number),
                f"{printable(run.counter, 20)}, {local_minute(run.started_utc_s)}",
            )


def _typed_journal(ctx: click.Context) -> Path | None:
    """Return the journal that is typed already, as an option or as FILE."""
    typed: Any = ctx.params.get("read_journal") or ctx.params.get("file")
    typed = typed or next(iter(ctx.params.get("files") or ()), None)
    return None if typed is None else Path(typed)
