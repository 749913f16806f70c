"""Makes a batch small enough to be sent."""

from dataclasses import replace
from typing import Any, Final

from benchwatch.relay.batch import ChainBatch, RunBatch, encode
from benchwatch.relay.cell_checks import EVENT_CELLS
from benchwatch.relay.payload import PayloadTooLarge
from benchwatch.relay.station.unsent_events import CanNotBeSent

TOO_LARGE: Final = "is too large to be sent"


def encode_fitting(batch: RunBatch | ChainBatch) -> tuple[RunBatch | ChainBatch, bytes]:
    """Return a batch or the largest half of it that can be sent, and its payload.

    An event of a run that is too large by itself is left out.

    Raises:
        CanNotBeSent: an entry of a chain, or the row of a run, is too large by itself.
    """
    while True:
        try:
            return batch, encode(batch)
        except PayloadTooLarge as error:
            half = first_of(batch, len(batch) // 2) if len(batch) > 1 else batch
            if len(half) < len(batch):  # else all have one number, as after a change by hand
                batch = half
            elif isinstance(batch, RunBatch) and len(batch) and not batch.left_out:
                left_out = ((batch.to, f"an event that {TOO_LARGE}"),)
                batch = RunBatch(batch.run, batch.after, batch.to, left_out=left_out)
            else:
                name = batch.run.key if isinstance(batch, RunBatch) else batch.chain
                raise CanNotBeSent(f"the next part of {name} {TOO_LARGE}") from error


def first_of(batch: RunBatch | ChainBatch, count: int) -> RunBatch | ChainBatch:
    """Return the batch with its first `count` events; where several have one number, about so."""
    if isinstance(batch, ChainBatch):
        return replace(batch, to=batch.after + count, entries=batch.entries[:count])
    kinds = (*EVENT_CELLS, "left_out")
    rows: dict[str, Any] = {kind: getattr(batch, kind) for kind in kinds}
    numbers = sorted(row[0] for some in rows.values() for row in some)
    to = numbers[count - 1]
    if to == numbers[-1] > numbers[0]:  # several events have the last number
        to = max(number for number in numbers if number < to)
    rows = {kind: [row for row in some if row[0] <= to] for kind, some in rows.items()}
    return RunBatch(batch.run, batch.after, to, **rows)
