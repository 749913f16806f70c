"""Units and visits of the register."""

from os import PathLike
from pathlib import Path

from benchwatch.api.journal_paths import journal_path
from benchwatch.register import Unit, Visit, read_register, register_path


def find_visit(
    visit: int | str, *, journal: str | PathLike[str] | None = None, simulated: bool = False
) -> Visit:
    """Return a visit with its records, notes and checks.

    Args:
        visit: number of the visit, or ``CHAIN/NUMBER``.
        journal: the journal beside which the register is; None: the one that a watch writes where
            none is named.
        simulated: whether it is a visit of a simulated bench.

    Raises:
        UsageError: there is no such visit.
        FileError: the register can't be read.
    """
    with read_register(register_beside(journal, simulated=simulated)) as register:
        return register.typed_visit(str(visit))


def list_visits(
    unit: str | None = None,
    *,
    journal: str | PathLike[str] | None = None,
    simulated: bool = False,
) -> list[Visit]:
    """Return the visits in the register in the order of opening; of one unit, or of all.

    Arguments are as for `find_visit`; `unit` is an ident.

    Raises:
        FileError: the register can't be read.
    """
    with read_register(register_beside(journal, simulated=simulated)) as register:
        if unit is not None:
            return register.visits_of(unit)
        found = [register.visit(name) for name in register.visit_names()]
    return [visit for visit in found if visit is not None]


def list_units(
    *, journal: str | PathLike[str] | None = None, simulated: bool = False
) -> list[Unit]:
    """Return the units in the register, in the order in which they were made.

    Arguments are as for `find_visit`.

    Raises:
        FileError: the register can't be read.
    """
    with read_register(register_beside(journal, simulated=simulated)) as register:
        return register.units()


def register_beside(journal: str | PathLike[str] | None, *, simulated: bool) -> Path:
    """Return the path of the register beside a journal; None: the usual journal."""
    return register_path(journal_path(journal), simulated=simulated)
