"""Real servers for tests: mosquitto and PostgreSQL, on free ports of the loopback interface.

``with broker(tmp_path) as server`` starts a broker, ``with database() as made`` makes an empty
database. Where a server is not installed, the test is skipped, and the end of the run names the
package; where the variable BENCHWATCH_SERVERS is ``required``, the test fails instead.

All servers end with the process of the tests, also when that is killed (`server_watcher_program`).
"""

import contextlib
import ctypes
import os
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import psycopg
import pytest
from psycopg import sql
from server_process_kit import (
    HOST,
    NOT_INSTALLED,
    Server,
    closed_at_end,
    numbers,
    servers_folder,
)
from socket_kit import kept_port


class Broker(Server):
    """A mosquitto; its configuration and what it saves are in `folder`."""


@contextmanager
def broker(folder: Path, *, config: str | None = None) -> Iterator[Broker]:
    """Run a mosquitto, by default without names and certificates, and saving every second.

    Args:
        folder: of its files.
        config: its whole configuration, in which ``{port}`` stands for the port.
    """
    program = _needed("mosquitto", shutil.which("mosquitto", path=_with_sbin()))
    file = folder / "broker.conf"
    with kept_port() as port:
        text = (config or _plain_broker(folder)).replace("{port}", str(port))
        own_user = "" if "\nuser " in f"\n{text}" or os.geteuid() else "user root\n"
        file.write_text(own_user + text, "utf-8")
        server = Broker([program, "-c", str(file)], folder, port, lambda: _takes_connections(port))
        try:
            server.start()
            yield server
        finally:
            server.stop()


def _plain_broker(folder: Path) -> str:
    return (
        f"listener {{port}} {HOST}\nallow_anonymous true\n"
        f"persistence true\npersistence_location {folder}/\nautosave_interval 1\n"
        "sys_interval 1\n"  # its counts of bytes and messages are a second old at most
    )


class Database:
    """A database, empty at first.

    Attributes:
        name: of the database.
        server: the PostgreSQL that has it. A shared one has the databases of other tests too, and
            is not to be killed.
        url: for its owner, who may do everything.
    """

    def __init__(self, name: str, server: Server, *, shared: bool) -> None:
        self.name, self.server, self._shared = name, server, shared
        self.url = self.url_of(OWNER)

    def url_of(self, role: str) -> str:
        """Return the URL for a role; no passwords are asked for."""
        return f"postgresql://{role}@{HOST}:{self.server.port}/{self.name}"

    def connect(self) -> "psycopg.Connection[tuple[object, ...]]":
        """Open a connection that commits each statement."""
        return psycopg.connect(self.url, autocommit=True)

    def kill(self) -> None:
        """Kill the server by signal 9."""
        self._own_server.kill()

    def start(self) -> None:
        """Start the server again; it recovers what was committed."""
        self._own_server.start()

    def stop(self) -> None:
        """End the server in order."""
        self._own_server.stop()

    def pause(self) -> None:
        """Let the server stand still."""
        self._own_server.pause()

    def resume(self) -> None:
        """Let the server go on."""
        self._own_server.resume()

    @property
    def _own_server(self) -> Server:
        assert not self._shared, "other tests use this server: ask for database(own_server=True)"
        return self.server


@contextmanager
def database(
    *, own_server: bool = False, folder: Path | None = None, settings: tuple[str, ...] = ()
) -> Iterator[Database]:
    """Make an empty database for one test.

    Args:
        own_server: in a PostgreSQL that no other test uses, which waits for its disk as it does in
            use (fsync). It starts in half a second. Without it the database is in the one that
            the tests of this process share.
        folder: of its own server, in which the folder ``postgresql`` is made. It is given to the
            account of the server, which must be able to reach it.
        settings: of its own server, as ``name=value``.
    """
    if own_server or folder or settings:
        with _postgresql(folder, settings) as server:
            yield Database("postgres", server, shared=False)
        return
    server = _shared_postgresql()
    made = Database(f"test_{next(numbers)}", server, shared=True)
    with psycopg.connect(_server_url(server.port), autocommit=True) as connection:
        name = sql.Identifier(made.name)
        connection.execute(sql.SQL("CREATE DATABASE {}").format(name))
        try:
            yield made
        finally:
            connection.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(name))
            _drop_roles(connection)


def _drop_roles(connection: "psycopg.Connection[tuple[object, ...]]") -> None:
    """Drop the roles that a test made, which all databases share; others' tests may use them."""
    made = "SELECT rolname FROM pg_roles WHERE rolname !~ '^pg_' AND rolname <> %s"
    for (role,) in connection.execute(made, (OWNER,)).fetchall():
        with contextlib.suppress(psycopg.errors.DependentObjectsStillExist):
            connection.execute(sql.SQL("DROP ROLE IF EXISTS {}").format(sql.Identifier(str(role))))


OWNER = "postgres"
QUICK = ("fsync=off", "synchronous_commit=off", "full_page_writes=off", "autovacuum=off")
"""Settings of the shared server, which is never killed before its end."""


@cache
def postgresql_folder() -> str | None:
    """Return the folder of PostgreSQL's programs, of the newest version; None: there is none."""

    def version(folder: Path) -> tuple[int, ...]:
        return tuple(int(part) for part in folder.parent.name.split("-")[-1].split("."))

    debian, others = Path("/usr/lib/postgresql"), Path("/usr")
    found = [*debian.glob("[0-9]*/bin"), *others.glob("pgsql-[0-9]*/bin")]
    usable = [folder for folder in found if (folder / "initdb").exists()]
    if usable:
        return str(max(usable, key=version))
    program = shutil.which("initdb", path=_with_sbin())
    return program and str(Path(program).resolve().parent)


@contextmanager
def _postgresql(folder: Path | None, settings: tuple[str, ...]) -> Iterator[Server]:
    """Run a PostgreSQL with the settings given, in a folder of its own."""
    programs = _needed("postgresql", postgresql_folder())
    within = folder or servers_folder() / f"postgresql_{next(numbers)}"
    data = within / "postgresql"
    within.mkdir(exist_ok=True)
    with _making:
        new = _new_cluster(programs)
    shutil.copytree(new, data)
    user = _server_user()
    if user:
        for path in (within, data, *data.rglob("*")):
            shutil.chown(path, user, user)
    with kept_port() as port:
        fixed = (
            f"listen_addresses={HOST}", f"port={port}", "unix_socket_directories=", "jit=off",
            "huge_pages=off", "shared_buffers=32MB", "dynamic_shared_memory_type=mmap",
        )  # fmt: skip
        options = [part for setting in (*fixed, *settings) for part in ("-c", setting)]
        words = [f"{programs}/postgres", "-D", str(data), *options]
        # It waits for no client when it is to end by SIGINT.
        server = Server(
            words, data, port, lambda: _takes_queries(port), end_signal=signal.SIGINT, user=user
        )
        try:
            server.start()
            yield server
        finally:
            server.stop()
            _free_memory(data)
            shutil.rmtree(data if folder else within, ignore_errors=True)


@cache
def _new_cluster(programs: str) -> Path:
    """Return the folder of a cluster that is copied for each server, for that is quicker."""
    user = _server_user()
    folder = servers_folder() / "new_cluster"
    folder.mkdir()
    if user:
        shutil.chown(folder, user, user)
    account = {"user": user, "group": user, "extra_groups": []} if user else {}
    words = [
        f"{programs}/initdb", "-D", str(folder), "-U", OWNER, "--auth=trust", "--no-sync",
        "--no-instructions", "--locale=C", "--encoding=UTF8", "--wal-segsize=1",
    ]  # fmt: skip
    done = subprocess.run(words, capture_output=True, text=True, cwd=folder, **account)
    if done.returncode:
        raise RuntimeError(f"initdb failed: {done.stderr}")
    return folder


def _free_memory(data: Path) -> None:
    """Give back the shared memory of a killed server, which postmaster.pid names in line 7."""
    with contextlib.suppress(OSError, IndexError, ValueError):
        _, memory = (data / "postmaster.pid").read_text("ascii").splitlines()[6].split()
        ctypes.CDLL(None).shmctl(int(memory), 0, None)  # 0 is IPC_RMID, sys/ipc.h


_starting, _making = threading.Lock(), threading.Lock()


def _shared_postgresql() -> Server:
    with _starting:
        return _started_once()


@cache
def _started_once() -> Server:
    return closed_at_end.enter_context(_postgresql(None, QUICK))


def _server_user() -> str | None:
    """Return the account for PostgreSQL, which does not run as root; None: that of the tests."""
    return "postgres" if os.geteuid() == 0 else None


def _needed(package: str, found: str | None) -> str:
    """Return what was found; end the test if it is None."""
    if found:
        return found
    why = f"{NOT_INSTALLED}install the package {package}"
    if os.environ.get("BENCHWATCH_SERVERS") == "required":
        pytest.fail(f"{why}, for BENCHWATCH_SERVERS is required")
    pytest.skip(why)


def _with_sbin() -> str:
    return os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"))


def _takes_connections(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection((HOST, port), 1.0):
        return True
    return False


def _takes_queries(port: int) -> bool:
    if _takes_connections(port):  # a quick look first, for the rest takes a while
        with contextlib.suppress(psycopg.Error), psycopg.connect(_server_url(port)):
            return True
    time.sleep(0.02)
    return False


def _server_url(port: int) -> str:
    return f"postgresql://{OWNER}@{HOST}:{port}/postgres"
