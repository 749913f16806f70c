"""The servers of the tests: killed, paused, started again, and gone when the tests are."""

import os
import random
import signal
import socket
import subprocess
import sys
from pathlib import Path

import psutil
import psycopg
import pytest
from load_kit import LONGEST_WAIT_S, wait_until
from server_kit import broker, database
from server_process_kit import HOST, NOT_INSTALLED
from socket_kit import kept_port

KITS = Path(__file__).parents[1] / "kits"


def answers_hello(port: int, timeout_s: float = 0.3) -> bool:
    """Return whether a broker answers MQTT's first packet (MQTT 5, 3.1 and 3.2)."""
    hello = bytes.fromhex("10 0d 00 04 4d515454 05 02 0000 00 0000")
    try:
        with socket.create_connection((HOST, port), timeout_s) as client:
            client.settimeout(timeout_s)
            client.sendall(hello)
            return client.recv(1) == b"\x20"
    except OSError:
        return False


def test_a_broker_is_killed_and_comes_back_on_its_port(tmp_path: Path) -> None:
    """After signal 9 nothing listens; the next start has the same port."""
    with broker(tmp_path) as server:
        assert answers_hello(server.port, LONGEST_WAIT_S)
        server.kill()
        assert not answers_hello(server.port)
        server.start()
        assert answers_hello(server.port, LONGEST_WAIT_S)


def test_a_paused_broker_answers_nothing_until_it_goes_on(tmp_path: Path) -> None:
    """Its port stays open, so a client waits for ever."""
    with broker(tmp_path) as server:
        server.pause()
        assert not answers_hello(server.port)
        server.resume()
        assert answers_hello(server.port, LONGEST_WAIT_S)


def test_a_broker_takes_a_whole_configuration(tmp_path: Path) -> None:
    """What a configuration forbids is forbidden."""
    config = f"listener {{port}} {HOST}\nallow_anonymous false\n"
    with (
        broker(tmp_path, config=config) as server,
        socket.create_connection((HOST, server.port), LONGEST_WAIT_S) as client,
    ):
        client.sendall(bytes.fromhex("10 0d 00 04 4d515454 05 02 0000 00 0000"))

        assert client.recv(4)[3:4] == b"\x87"  # MQTT 5, 3.2.2.2: not authorized


def test_a_server_that_cannot_start_is_reported_with_its_log(tmp_path: Path) -> None:
    """The text says what the server did not understand."""
    with (
        pytest.raises(RuntimeError, match="no_such_option"),
        broker(tmp_path, config="no_such_option 1\n"),
    ):
        pass


def test_each_test_has_an_empty_database_and_leaves_nothing() -> None:
    """Two databases of one server know nothing of each other; their roles go with them."""
    with database() as first, database() as second:
        with first.connect() as connection:
            connection.execute("CREATE TABLE made (number int); CREATE ROLE made_role")
        with second.connect() as connection:
            tables = connection.execute("SELECT 1 FROM pg_tables WHERE tablename = 'made'")
            assert tables.fetchall() == []
    with database() as third, third.connect() as connection:
        names = connection.execute("SELECT datname FROM pg_database ORDER BY 1").fetchall()
        assert names == [("postgres",), ("template0",), ("template1",), (third.name,)]
        assert not connection.execute("SELECT 1 FROM pg_roles WHERE rolname = 'made_role'").rowcount


def test_the_shared_database_server_is_not_to_be_killed() -> None:
    """It has the databases of other tests."""
    with database() as made, pytest.raises(AssertionError, match="own_server"):
        made.kill()


def test_a_database_of_its_own_keeps_what_was_committed_before_a_kill() -> None:
    """It waits for its disk, is killed, and recovers on the same port."""
    with database(own_server=True) as made:
        with made.connect() as connection:
            assert connection.execute("SHOW fsync").fetchone() == ("on",)
            connection.execute("CREATE TABLE kept (number int); INSERT INTO kept VALUES (7)")
        made.kill()
        with pytest.raises(psycopg.OperationalError):
            made.connect()
        made.start()
        with made.connect() as connection:
            assert connection.execute("SELECT number FROM kept").fetchall() == [(7,)]


def test_a_paused_database_answers_when_it_goes_on() -> None:
    """All its processes stand still, also the one that serves a client."""
    with database(own_server=True) as made, made.connect() as connection:
        made.pause()
        processes = psutil.Process(made.server.process).children()
        assert wait_until(lambda: {process.status() for process in processes} == {"stopped"})
        made.resume()
        assert connection.execute("SELECT 1").fetchone() == (1,)


KILLED = """
import os, sys
from pathlib import Path
from server_kit import broker, database
from server_process_kit import servers_folder
with broker(Path(sys.argv[1])) as carrier, database() as made, database(own_server=True) as own:
    own.pause()
    print(servers_folder(), carrier.process, made.server.process, own.server.process, flush=True)
    sys.stdin.read()
"""


@pytest.mark.parametrize("end", ["killed", "ended"])
def test_nothing_is_left_when_the_tests_are_killed(tmp_path: Path, end: str) -> None:
    """The servers of a process that gets signal 9 end, and so does their folder."""
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(tmp_path)], stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": str(KITS)},
    )  # fmt: skip
    assert process.stdin
    assert process.stdout
    folder, *servers = process.stdout.readline().split()
    assert len(servers) == 3
    assert all(map(psutil.pid_exists, map(int, servers)))
    if end == "killed":
        process.send_signal(signal.SIGKILL)
    else:
        process.stdin.close()
    process.wait()

    assert wait_until(lambda: not any(map(psutil.pid_exists, map(int, servers))))
    assert wait_until(lambda: not Path(folder).exists())
    process.stdin.close()
    process.stdout.close()


MISSING = """
from server_kit import database
import server_kit
server_kit.postgresql_folder = lambda: None
def test_with_a_database():
    with database():
        pass
"""


@pytest.mark.parametrize(
    ("environ", "code", "counted"),
    [
        ({"BENCHWATCH_SERVERS": ""}, 0, "1 skipped"),
        ({"BENCHWATCH_SERVERS": "required"}, 1, "1 failed"),
    ],
)
def test_a_missing_server_is_said_aloud(
    tmp_path: Path, environ: dict[str, str], code: int, counted: str
) -> None:
    """Tests are skipped, and the end of the run says which package is missing; or they fail."""
    file = tmp_path / "test_missing.py"
    file.write_text(MISSING, "utf-8")
    top = KITS.parents[1]
    words = ["-p", "conftest", "-c", str(top / "pyproject.toml"), "--rootdir", str(top), str(file)]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *words], capture_output=True, text=True, cwd=top,
        env=os.environ | environ | {"PYTHONPATH": str(KITS.parent)},
    )  # fmt: skip

    assert done.returncode == code, done.stdout + done.stderr
    assert counted in done.stdout
    assert NOT_INSTALLED + "install the package postgresql" in done.stdout


def test_a_kept_port_is_one_tests_alone_and_none_that_clients_get() -> None:
    """Also between two starts of a server; a client must not be given it, and reach itself."""
    with kept_port() as port, socket.socket() as other:
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection((HOST, port))
        for _ in range(2):
            with socket.create_server((HOST, port)), pytest.raises(OSError, match="in use"):
                other.bind((HOST, port))
            with pytest.raises(OSError, match="in use"):
                other.bind((HOST, port))

    assert port < 32_768


def test_two_tests_keep_different_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    """Though both were drawn."""
    drawn = iter([15_001, 15_001, 15_002, *range(15_003, 15_100)])
    monkeypatch.setattr(random.SystemRandom, "randrange", lambda *_: next(drawn))
    with kept_port() as one, kept_port() as other:
        assert one != other
