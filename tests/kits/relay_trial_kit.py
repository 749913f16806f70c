"""A whole relay on this machine: broker, database, keeper and stations, each killed on demand."""

import json
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path

import psycopg
from load_kit import LONGEST_WAIT_S
from record_comparison import RecordComparison, compare_record
from relay_folder_kit import MadeRelay
from server_kit import Broker, Database, broker, database
from server_process_kit import Server
from simulated_kit import ask_control_port

PROGRAM = (sys.executable, "-m", "benchwatch.cli")
_SEND_SOON = ("--send-within", "2s")
"""So that a test which waits for the record does not wait for long."""


LOOK_S = 0.1
"""Time between two looks at the record or a control port, each of which costs a connection."""


def come_true(condition: Callable[[], object], timeout_s: float = LONGEST_WAIT_S) -> bool:
    """Wait until `condition` is true; return False if it is not within `timeout_s`."""
    deadline_s = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline_s:
            return False
        time.sleep(LOOK_S)
    return True


class Stations(Server):
    """A process of ``simulate chain``.

    Args:
        folder: in which each station has its own.
        relay: URL of the broker, and options that go with it; empty: nothing is sent.
        first: number of the first station.
        stations: how many.
        options: further options.
    """

    def __init__(
        self, folder: Path, relay: Sequence[str], *, first: int, stations: int,
        options: Sequence[str] = (),
    ) -> None:  # fmt: skip
        folder.mkdir(exist_ok=True)
        self.stations = stations
        self._lines_before = 0
        words = [
            *PROGRAM, "simulate", "chain", str(folder), "--json", "--first", str(first),
            "--stations", str(stations), *(["--relay", *relay, *_SEND_SOON] if relay else []),
            *options,
        ]  # fmt: skip
        log = f"stations_{first}"
        super().__init__(words, folder, 0, lambda: len(self._new_lines()) == stations, log=log)

    def start(self) -> None:
        """Start them, and wait until each has begun."""
        self._lines_before = len(self._lines())
        super().start()

    def ask(self, line: str) -> str:
        """Send a line to the control port; return its answer."""
        return str(ask_control_port(self._new_lines()[0]["control_port"], line))

    @property
    def files(self) -> dict[str, list[Path]]:
        """The journals and registers of each station."""
        return {
            str(line["name"]): [
                file
                for file in Path(str(line["journal"])).parent.iterdir()
                if file.suffix in {".sqlite", ".db"}
            ]
            for line in self._new_lines()
        }

    def _new_lines(self) -> list[dict[str, object]]:
        return self._lines()[self._lines_before :]

    def _lines(self) -> list[dict[str, object]]:
        text = self.log.read_text("utf-8") if self.log.exists() else ""
        return [json.loads(line) for line in text.splitlines() if line.startswith("{")]


class Keeper(Server):
    """A process of ``keep``."""

    def __init__(self, folder: Path, record: str, relay: Sequence[str]) -> None:
        words = [*PROGRAM, "keep", record, "--broker", *relay]
        super().__init__(words, folder, 0, lambda: True, log="keeper")


class RelayTrial:
    """The parts of a relay; `kill` and `start` of each are those of `server_process_kit`.

    Attributes:
        broker: The broker.
        database: The central record, in a server of its own.
        keeper: What writes it.
        stations: Processes with simulated stations.
    """

    def __init__(
        self, folder: Path, carrier: Broker, record: Database, made: MadeRelay | None = None
    ) -> None:
        self.broker, self.database = carrier, record
        self.relay = f"{'mqtt' if made is None else 'mqtts'}://127.0.0.1:{carrier.port}"
        self._relay = for_keeper = (self.relay,)
        if made is not None:
            self._relay = (self.relay, "--relay-identity", str(made.folder / "stations"))
            for_keeper = (self.relay, "--relay-identity", str(made.keeper))
        self.keeper = Keeper(folder, record.url, for_keeper)
        self.stations: list[Stations] = []
        self._folder = folder
        self._first = 1

    def add_stations(self, stations: int, *options: str, folder: Path | None = None) -> Stations:
        """Start a process with stations."""
        made = Stations(
            folder or self._folder / "stations", self._relay, first=self._first, stations=stations,
            options=options,
        )  # fmt: skip
        self._first += stations
        self.stations.append(made)
        made.start()
        return made

    def count(self, table: str = "readings") -> int:
        """Return how many rows a table of the record has; -1 while the record does not answer."""
        try:
            with psycopg.connect(self.database.url, connect_timeout=2) as connection:
                row = connection.execute(f"SELECT count(*) FROM benchwatch.{table}").fetchone()
        except psycopg.Error:
            return -1
        return int(row[0]) if row else 0

    def grows(self, by: int = 40) -> bool:
        """Wait until the record has got so many more readings.

        Raises:
            AssertionError: it has not; the text has the newest lines of all logs.
        """
        before = max(self.count(), 0)
        assert come_true(lambda: self.count() >= before + by), self.logs()
        return True

    def logs(self) -> str:
        """Return how many readings there are, and the newest lines of all logs."""
        parts = (self.broker, self.database.server, self.keeper, *self.stations)
        logs = (
            f"{part.log.name}, running {part.is_running}:\n{part.end_of_log()}" for part in parts
        )
        return "\n".join((f"{self.count()} readings in the record", *logs))

    def take(self, readings: int) -> bool:
        """Wait until the stations have taken so many more readings, sent or not."""

        def taken() -> int:
            return sum(int(stations.ask("readings all")) for stations in self.stations)

        before = taken()
        return come_true(lambda: taken() >= before + readings)

    def save(self, to: Path) -> None:
        """Copy the record as a backup would, with the server at rest for a moment."""
        self.database.stop()
        subprocess.run(["cp", "-a", str(self.database.server.folder), str(to)], check=True)
        self.database.start()

    def set_back(self, to: Path) -> None:
        """Kill the record's server and start it with a backup in place of its files."""
        self.database.kill()
        shutil.rmtree(self.database.server.folder)
        subprocess.run(["cp", "-a", str(to), str(self.database.server.folder)], check=True)
        self.database.start()

    def end_stations(self) -> None:
        """Let the counters end, wait until all is sent, and end the stations in order."""
        for stations in self.stations:
            assert stations.ask("counters off all") == "ok"
        for stations in self.stations:
            sent = partial(stations.ask, "unsent all")
            assert come_true(lambda sent=sent: sent() == "0"), f"{sent()}: {stations.end_of_log()}"
        for stations in self.stations:
            stations.stop()

    def compare(self, spoiled_by: str | None = None) -> RecordComparison:
        """Compare the record with all journals and registers; see `compare_record`."""
        files = {name: paths for one in self.stations for name, paths in one.files.items()}
        return compare_record(self.database.url, files, spoiled_by)


@contextmanager
def relay_trial(
    folder: Path,
    *,
    broker_folder: Path | None = None,
    database_folder: Path | None = None,
    certificates: MadeRelay | None = None,
) -> Iterator[RelayTrial]:
    """Run a broker, a database and a keeper; the stations are added by the test.

    Args:
        folder: of journals and logs.
        broker_folder: of what the broker saves; None: the same.
        database_folder: of the database; None: a temporary one.
        certificates: of all parts, which then speak by TLS; None: they speak plainly.
    """
    within = broker_folder or folder
    with (
        broker(within) if certificates is None else certificates.broker(within) as carrier,
        database(own_server=True, folder=database_folder) as record,
        ExitStack() as parts,
    ):
        made = RelayTrial(folder, carrier, record, certificates)
        done = subprocess.run(
            [*PROGRAM, "keep", record.url, "--init"], capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr
        parts.callback(made.keeper.stop)
        made.keeper.start()
        parts.callback(lambda: [one.stop() for one in made.stations])
        yield made


_ONE = (
    "(run_id, number) = (SELECT run_id, number FROM benchwatch.readings"
    " ORDER BY abs(utc_s - extract(epoch FROM now())), number LIMIT 1)"
)
"""A reading of today, so that one of a far day is in another partition."""
PLANTED = {
    "lost": f"DELETE FROM benchwatch.readings WHERE {_ONE}",
    "different": f"UPDATE benchwatch.readings SET text = text || '1' WHERE {_ONE}",
    "doubled": "INSERT INTO benchwatch.readings (run_id, number, utc_s, elapsed_s, gate_s,"
    " resolution_hz, text, flags) SELECT run_id, number, utc_s - 1e9, elapsed_s, gate_s,"
    f" resolution_hz, text, flags FROM benchwatch.readings WHERE {_ONE}",
}
"""Statements that spoil a record, by the kind of fault that a comparison must find."""


def assert_complete(trial: RelayTrial, least: int) -> None:
    """Assert that the record is what the journals are, and that any other record would be seen.

    Args:
        trial: whose stations have ended.
        least: events that there are at least, so that the trial has tried something.
    """
    found = trial.compare()
    assert found.is_clean, str(found)
    assert found.events >= least, str(found)
    for kind, statement in PLANTED.items():
        spoiled = trial.compare(spoiled_by=statement)
        counts = {name: getattr(spoiled, name) for name in (*PLANTED, "invented")}
        assert counts == dict.fromkeys(counts, 0) | {kind: 1}, str(spoiled)
