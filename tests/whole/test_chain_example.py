"""The script of the docs that tries benches elsewhere on one computer."""

import os
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import psutil
import pytest
from doc_kit import TOP
from load_kit import wait_until
from socket_kit import kept_port

SCRIPT = TOP / "docs" / "examples" / "chain" / "chain.sh"
PARTS = ("broker", "database", "keeper", "stations")
LONG_S = 120.0
"""Longest wait for what takes seconds, on a busy machine."""

pytestmark = pytest.mark.skipif(
    shutil.which("mosquitto", path=f"{os.environ['PATH']}:/usr/sbin") is None
    or not Path("/usr/lib/postgresql").is_dir(),
    reason="mosquitto and postgresql are needed",
)


@pytest.fixture
def folder() -> Iterator[Path]:
    """Make a folder that another account can enter, as PostgreSQL's must where root tests."""
    with tempfile.TemporaryDirectory(prefix="benchwatch_chain_") as made:
        Path(made).chmod(0o755)
        yield Path(made) / "chain"


@pytest.fixture
def port() -> Iterator[int]:
    """Keep a port for the broker."""
    with kept_port() as kept:
        yield kept


def environment(port: int, path: str = "") -> dict[str, str]:
    """Return the script's environment.

    Args:
        port: of the broker.
        path: goes before the folder of `benchwatch`.
    """
    words = (path, str(Path(sys.executable).parent), os.environ["PATH"])
    return {**os.environ, "PATH": ":".join(filter(None, words)),
            "BROKER_PORT": str(port)}  # fmt: skip


def refused(*words: str | Path, env: Mapping[str, str]) -> str:
    """Return what the script says when it ends at once."""
    done = subprocess.run(
        ["sh", SCRIPT, *words], env=env, capture_output=True, text=True, timeout=LONG_S, check=False
    )
    assert (done.returncode in {1, 2}, done.stdout) == (True, "")
    return done.stderr


def test_a_port_that_is_taken_is_said_before_anything_starts(folder: Path) -> None:
    """Else the stations would speak to the broker of another chain on the same computer."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]

        said = refused(folder, "2", env=environment(port))

    assert f"port {port} can't be used" in said
    assert f"BROKER_PORT={port + 1} sh " in said
    assert not list(folder.iterdir())


@pytest.mark.parametrize(
    ("name", "words"),
    [("a chain", "has a blank"), ("c" * 90, "has too long a name")],
)
def test_a_folder_that_no_address_can_name_is_refused(
    folder: Path, name: str, words: str, port: int
) -> None:
    """The folder is part of the database's address, and of its socket's name."""
    said = refused(folder / name, "2", env=environment(port))

    assert words in said
    assert "sh " in said


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a folder away")
def test_a_folder_of_another_account_is_refused(folder: Path, port: int) -> None:
    """As when the chain was tried as root before."""
    folder.mkdir()
    os.chown(folder, 12345, -1)

    assert "belongs to another account" in refused(folder, "2", env=environment(port))


@pytest.mark.parametrize("stations", ["0", "-1", "many", "4.5"])
def test_what_is_no_number_of_stations_is_refused(folder: Path, stations: str, port: int) -> None:
    """Before a broker and a database are made for it."""
    assert f"'{stations}' is no number of stations" in refused(
        folder, stations, env=environment(port)
    )


def test_killed_in_every_part_it_goes_on_and_ends_whole(
    folder: Path, tmp_path: Path, port: int
) -> None:
    """Also without the programs that list processes, which a small Debian lacks.

    Whether the last second's readings are in the record depends on how busy the machine is; that
    none is there twice or in another form does not.
    """
    (tmp_path / "pgrep").write_text("#!/bin/sh\nexit 127\n", "utf-8")
    (tmp_path / "pgrep").chmod(0o755)
    with started(folder, environment(port, str(tmp_path))) as (script, output):
        assert wait_until(lambda: readings(folder) > 0, LONG_S), output.read_text("utf-8")
        before = wait_for_others(folder, {})
        for process in before.values():
            os.kill(process, signal.SIGKILL)
        after = wait_for_others(folder, before)
        known = readings(folder)
        assert wait_until(lambda: readings(folder) > known, LONG_S)
        os.kill(script.pid, signal.SIGINT)
        os.kill(script.pid, signal.SIGINT)  # the impatient second one ends nothing half
        script.wait(LONG_S)

    said = output.read_text("utf-8")
    assert re.search(
        r"compared: [1-9]\d* events: \d+ lost, 0 doubled, \d+ different, 0 invented", said
    ), said
    assert not [name for name, process in after.items() if psutil.pid_exists(process)]
    assert not list(folder.glob("*.pid"))
    assert not (folder / "database" / "postmaster.pid").exists()  # it ended in order


def readings(folder: Path) -> int:
    """Return how many readings the journals of all stations have."""
    count = 0
    for file in folder.glob("stations/*/journal.sqlite"):
        with (
            suppress(sqlite3.OperationalError),  # it is being made
            closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as journal,
        ):
            count += journal.execute("SELECT count(*) FROM readings").fetchone()[0]
    return count


def wait_for_others(folder: Path, before: dict[str, int]) -> dict[str, int]:
    """Wait until each part runs by another process than before; return their numbers."""
    found: dict[str, int] = {}

    def are_there() -> bool:
        for name in PARTS:
            file = folder / f"{name}.pid"
            text = file.read_text("ascii").strip() if file.exists() else ""
            if text and int(text) != before.get(name) and psutil.pid_exists(int(text)):
                found[name] = int(text)
        return len(found) == len(PARTS)

    assert wait_until(are_there, LONG_S), found
    return found


@contextmanager
def started(folder: Path, env: Mapping[str, str]) -> Iterator[tuple[subprocess.Popen[bytes], Path]]:
    """Run the script with two stations; yield it and the file with its words."""
    output = folder.parent / "said.txt"
    with output.open("wb") as words:
        script = subprocess.Popen(
            ["sh", SCRIPT, folder, "2"],
            env=env, stdin=subprocess.DEVNULL, stdout=words, stderr=words, start_new_session=True,
        )  # fmt: skip
    children: list[psutil.Process] = []
    try:
        yield script, output
    finally:
        if script.poll() is None:
            children = psutil.Process(script.pid).children(recursive=True)
            script.kill()
            script.wait()
        for child in children:
            if child.is_running():
                child.kill()
