"""``visits merge`` and ``visits repair``: what a register needs after a trouble."""

import time
from pathlib import Path
from typing import Final

import click

from benchwatch.commands.common.completed_words import FILES
from benchwatch.commands.common.journal_places import JOURNAL_TO_WRITE
from benchwatch.commands.common.output import narrate, print_json, print_text
from benchwatch.commands.common.register_options import written_register, written_register_options
from benchwatch.quantity import how_many
from benchwatch.register import RegisterFile
from benchwatch.register.register_merge import merge_register
from benchwatch.register.register_repair import Repaired, repair_register

INCOMPLETE: Final = 1
"""Exit code of ``repair`` where entries are missing afterwards, or were changed."""


@click.command()
@click.argument("file", type=JOURNAL_TO_WRITE, shell_complete=FILES)
@written_register_options
def merge(*, file: Path, journal: Path | None, sim: bool, as_json: bool) -> None:
    """Take over the visits of another register.

    FILE is that, or what a watch could not add to this one. It stays as it is, and what the
    register has already is not added again. A file in which an entry was changed is refused,
    and so is a copy of this register that was written apart from it.
    """
    register = RegisterFile(written_register(journal, sim=sim))
    done = merge_register(register, file)
    if as_json:
        print_json({"kind": "merged", "register": str(register.path), "from": str(file),
                    "new_entries": done.entries, "there_already": done.there,
                    "new_visits": done.visits})  # fmt: skip
    narrate(
        f"{_entries(done.entries)} taken over from {file}, with {how_many(done.visits, 'visit')} "
        f"begun there; {_entries(done.there)} had been there already."
    )


@click.command()
@written_register_options
def repair(*, journal: Path | None, sim: bool, as_json: bool) -> int:
    """Set a damaged register aside, and carry over what can be read.

    It gets a dated name. Nothing is done to a register that is sound. Watches may go on
    meanwhile. The exit code is 1 where entries are missing afterwards: visits merge takes them
    over from a copy of the register.
    """
    path = written_register(journal, sim=sim)
    done = repair_register(path, time.time())
    if as_json:
        print_json({"kind": "repaired", "register": str(path), "was_sound": done is None}
                   | ({} if done is None else _values(done)))  # fmt: skip
    if done is None:
        narrate(f"{path} is not damaged; visits verify says if an entry was changed.")
        return 0
    narrate(f"the damaged register is kept as {done.aside}.")
    narrate(
        f"{_entries(done.entries)} carried over, with {how_many(done.visits, 'visit')}. Those at "
        "the end may be missing unseen: visits verify --head compares with a head printed earlier."
    )
    if not as_json:
        for fault in done.faults:
            print_text(fault)
    return INCOMPLETE if done.faults else 0


def _values(done: Repaired) -> dict[str, object]:
    return {
        "kept_as": str(done.aside),
        "entries": done.entries,
        "visits": done.visits,
        "faults": list(done.faults),
    }


def _entries(number: int) -> str:
    return "1 entry" if number == 1 else f"{number} entries"
