"""A watch of a unit on a made counter, killed, ended and begun again; its clock is set."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
from pipeline_kit import NOMINAL, StillClock, reading

from benchwatch.acquire import CounterStatus
from benchwatch.counter import Identity, LinkStatus, Setup, TimeBase
from benchwatch.errors import RegisterError
from benchwatch.journal import Journal
from benchwatch.plan import Plan
from benchwatch.register import RegisterFile, Unit, read_register, register_path
from benchwatch.register.register_writer import RegisterWriter
from benchwatch.register.visit import Visit
from benchwatch.register.visit_writer import VisitWriter
from benchwatch.run.live_counter import LiveCounter
from benchwatch.run.live_watch import LiveWatch
from benchwatch.run.visit_start import VisitStart, earlier_runs, start_visits
from benchwatch.snapshot import Snapshot

RESOURCE = "TCPIP0::127.0.0.1::5025::SOCKET"
HOUR_S, DAY_S = 3600.0, 86400.0


class SetClock(StillClock):
    """A still clock whose date can be set apart from its seconds."""

    def __init__(self) -> None:
        super().__init__()
        self.shift_s = 0.0

    def utc(self) -> float:
        """Return the time in Unix seconds."""
        return super().utc() + self.shift_s


class MadeThread:
    """A made thread that reads a counter: it does what it is told."""

    def __init__(self, **asked: Any) -> None:
        self.asked = asked

    def start(self) -> None:
        """Publish a connection."""
        self.set_nominal(self.asked["nominal"])

    def set_nominal(self, nominal: Decimal | None) -> None:
        """Publish the nominal, as the real thread does."""
        status = CounterStatus(
            link=LinkStatus("reading", 0.5),
            identity=Identity(text="SIMULATED"),
            time_base=TimeBase("external"),
            gate_s=1.0,
            nominal=nominal or NOMINAL,
        )
        self.asked["on_status"](status)

    def request(self, setup: Setup) -> None:
        """Do nothing."""

    def set_dial(self, setting: Decimal | None) -> None:
        """Do nothing."""

    def stop(self) -> None:
        """Do nothing."""

    def join(self, timeout: float) -> None:
        """Do nothing."""


@dataclass(kw_only=True)
class Watched:
    """One watch of the made bench."""

    run: LiveWatch
    start: VisitStart
    clock: SetClock
    thread: MadeThread
    writer: RegisterWriter
    journal: Journal | None
    began_s: float

    @property
    def counter(self) -> LiveCounter:
        """The handle of its counter."""
        return self.run.counter(self.name)

    @property
    def name(self) -> str:
        """The name of its counter."""
        return self.start.plan.name

    @property
    def now(self) -> Snapshot:
        """Its newest snapshot."""
        return self.counter.snapshot

    @property
    def texts(self) -> list[str]:
        """The texts in its event log, newest last."""
        return [event.text for event in self.now.logged_events or ()]

    def feed(self, ppb: float, count: int = 30, seed: int = 5) -> None:
        """Take one reading a second at an offset, with white noise of 0.01 ppb."""
        noise = np.random.default_rng(seed).normal(0.0, 1e-4, count)
        for number, hertz in enumerate((ppb * 0.01 + noise).round(4), start=1):
            self.clock.now_s += 1.0
            made = reading(number, f"{10_000_000 + hertz:.4f}")
            elapsed_s = self.clock.monotonic() - self.began_s
            at = {"utc_s": self.clock.utc(), "elapsed_s": elapsed_s}
            made = replace(made, counter=self.name, **at)
            self.thread.asked["on_event"](made)

    def end(self) -> str:
        """End it as a key does; return what it says of the register."""
        self.run.stop()
        if self.journal is not None:
            self.journal.close()
        return self.writer.close()


@dataclass
class MadeBench:
    """A counter, a journal and a register beside it."""

    folder: Path
    clock: SetClock = field(default_factory=SetClock)
    simulated: str | None = None

    @property
    def journal(self) -> Path:
        """The journal's path."""
        return self.folder / "journal.db"

    @property
    def register(self) -> Path:
        """The register's path."""
        return register_path(self.journal, simulated=self.simulated is not None)

    def make_unit(self, ident: str, **values: Any) -> None:
        """Put a unit into the register."""
        RegisterFile(self.register).add([Unit(ident=ident, **values).draft()])

    def watch(
        self,
        unit: str | None = None,
        *,
        resumes: bool = True,
        begins_at_once: bool = True,
        name: str = "main",
        **plan: Any,
    ) -> Watched:
        """Begin a watch of a counter; `plan` are further fields of its plan."""
        fields = {"resource": RESOURCE, "nominal": NOMINAL, "tolerance": 1e-9} | plan
        planned = Plan(name=name, unit=unit, simulated=self.simulated, **fields)
        if unit is not None:
            with suppress(RegisterError), read_register(self.register) as reader:
                if reader.unit(unit) is None:
                    self.make_unit(unit)
        journal = Journal(self.journal)
        # Retries wait by the computer's clock: the still one goes on while somebody waits for it.
        writer = RegisterWriter(RegisterFile(self.register, clock=self.clock))
        starts = start_visits(
            [planned],
            writer,
            self.journal,
            clock=self.clock,
            resumes=resumes,
            begins_at_once=begins_at_once,
        )
        return self._begun(starts[name], writer, journal)

    def watch_nothing_kept(self) -> Watched:
        """Begin a watch without a journal and a register."""
        # Retries wait by the computer's clock: the still one goes on while somebody waits for it.
        writer = RegisterWriter(RegisterFile(self.register, clock=self.clock))
        plan = Plan(name="main", resource=RESOURCE, nominal=NOMINAL, tolerance=1e-9)
        return self._begun(VisitStart(plan=plan, writer=VisitWriter(writer)), writer, None)

    def _begun(self, start: VisitStart, writer: RegisterWriter, journal: Journal | None) -> Watched:
        threads: list[MadeThread] = []

        def acquire(**asked: Any) -> Any:
            threads.append(MadeThread(**asked))
            return threads[0]

        kept = journal is not None
        run = LiveWatch(
            [start.plan],
            journal=journal,
            lines=True,
            clock=self.clock,
            acquire=acquire,
            earlier=earlier_runs({start.plan.name: start}),
            visits={start.plan.name: start.writer} if kept else {},
            register=writer if kept else None,
        )
        began_s = self.clock.monotonic()
        run.start()
        return Watched(
            run=run,
            start=start,
            clock=self.clock,
            thread=threads[0],
            writer=writer,
            journal=journal,
            began_s=began_s,
        )

    @contextmanager
    def watching(self, unit: str | None = None, **more: Any) -> Iterator[Watched]:
        """Watch while the context lasts, then end in order."""
        watched = self.watch(unit, **more)
        try:
            yield watched
        finally:
            watched.end()

    def kill(self, watched: Watched) -> None:
        """End it as ``kill -9`` does: its journal says nothing of an end."""
        if watched.journal is not None:
            watched.journal.close()

    def visits(self) -> list[Visit]:
        """Return all visits, in the order in which they were opened."""
        with read_register(self.register) as reader:
            found = [reader.visit(name) for name in reader.visit_names()]
        return [visit for visit in found if visit is not None]
