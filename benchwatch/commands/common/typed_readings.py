"""Readings that a person types: which counters of a watch have them, and where lines come from."""

import os
import stat
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Any

from benchwatch.acquire import Acquisition, TypedAcquisition, TypedInput
from benchwatch.bus.file_wire import STANDARD_INPUT, file_of, redirect_standard_input
from benchwatch.commands.common.output import narrate
from benchwatch.counter import OpenLink
from benchwatch.driver_registry import Driver
from benchwatch.errors import UsageError
from benchwatch.plan import Plan
from benchwatch.reading import TYPED
from benchwatch.relay.desk.desks import Desks, is_elsewhere
from benchwatch.run.any_acquisition import AnyAcquisition


def typed_words(words: tuple[str, ...], *, typed: bool, others: bool) -> tuple[str, ...]:
    """Return the typed resources; with ``--typed`` alone, those of standard input.

    Args:
        words: the resources, or names in a bench file.
        typed: whether ``--typed`` was given.
        others: whether a bench file or a simulated bench names the counters.
    """
    return (STANDARD_INPUT,) if typed and not words and not others else words


def with_typed(plans: Sequence[Plan], *, typed: bool) -> list[Plan]:
    """Return the plans, in which a person types what would come on standard input.

    That is so with ``--typed``, and where standard input is a terminal.

    Raises:
        UsageError: ``--typed`` was given, and no counter is read on standard input; or a setting
            is for counters that are read by the program.
    """
    by_hand = typed or _is_terminal()
    typed_plans = [
        replace(plan, resource=TYPED)
        if by_hand and file_of(plan.resource) == STANDARD_INPUT
        else plan
        for plan in plans
    ]
    of_hand = [plan for plan in typed_plans if plan.resource == TYPED]
    if typed and not of_hand:
        raise UsageError("--typed is for readings on standard input: give - as a resource too.")
    if len(of_hand) > 1:
        names = ", ".join(plan.name for plan in of_hand)
        raise UsageError(f"{names}: a person types the readings of one counter only.")
    if any(plan.interval_s is not None for plan in of_hand):
        raise UsageError("--interval is for counters that are queried: leave it out.")
    return typed_plans


def typed_source(plans: Sequence[Plan], descriptor: int, *, lines: bool) -> TypedInput | None:
    """Return where lines are typed; None where nothing is typed, or on the screen's entry line.

    The entry line also serves where standard input is the null device, as for a page in a browser.

    Args:
        plans: the counters.
        descriptor: file descriptor of standard input.
        lines: whether lines are written, and no screen is shown.
    """
    if not any(plan.resource == TYPED for plan in plans):
        return None
    if not lines and _is_terminal_or_nothing(descriptor):
        return None
    return TypedInput(descriptor, say=narrate if lines else None, prompt=_prompt)


def standard_input(plans: Sequence[Plan], *, screen: bool) -> int:
    """Return the file descriptor of the readings on standard input.

    Where the screen is shown and readings come from a pipe or file, the keys come from the
    terminal instead.

    Raises:
        UsageError: there is no terminal for the keys.
    """
    piped = any(
        file_of(plan.resource) == STANDARD_INPUT or (plan.resource == TYPED and not _is_terminal())
        for plan in plans
    )
    return redirect_standard_input() if screen and piped else 0


def acquire(
    *,
    open_link: OpenLink,
    load: Callable[[str], Driver],
    persistent: bool,
    source: TypedInput | None,
    hint: Callable[[str, str], str],
    desks: Desks | None = None,
    **counter: Any,
) -> AnyAcquisition:
    """Make what reads one counter: a thread that owns it, a person, or its station elsewhere.

    Args:
        open_link: opens the links.
        load: loads a driver by its name.
        persistent: keep trying when nothing answers at the start.
        source: where lines are typed.
        hint: says which drivers read a line that the present one does not.
        desks: has the counters elsewhere; None: there are none.
        counter: the further arguments of `Acquisition`.
    """
    if desks is not None and is_elsewhere(counter["resource"]):
        for only_here in ("driver", "setup", "interval_s"):
            del counter[only_here]
        return desks.acquisition(persistent=persistent, **counter)
    if counter["resource"] != TYPED:
        return Acquisition(
            open_link=open_link, load=load, persistent=persistent, hint=hint, **counter
        )
    for only_read in ("resource", "driver", "interval_s"):
        del counter[only_read]
    return TypedAcquisition(source=source, **counter)


def _is_terminal_or_nothing(descriptor: int) -> bool:
    """Return whether no lines can come: from a terminal, which has the keys, or the null device."""
    try:
        return stat.S_ISCHR(os.fstat(descriptor).st_mode)
    except OSError:  # it was closed
        return True


def _is_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


def _prompt(text: str) -> None:
    with suppress(OSError):
        print(text, end="", file=sys.stderr, flush=True)
