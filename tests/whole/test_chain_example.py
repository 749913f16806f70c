"""The script of the docs that tries benches elsewhere on one computer: what stops it at once."""

import os
import shutil
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from doc_kit import TOP

SCRIPT = TOP / "docs" / "examples" / "chain" / "chain.sh"


@pytest.mark.skipif(
    shutil.which("mosquitto", path=f"{os.environ['PATH']}:/usr/sbin") is None
    or not Path("/usr/lib/postgresql").is_dir(),
    reason="mosquitto and postgresql are needed",
)
@pytest.mark.parametrize("name", ["BROKER_PORT", "DATABASE_PORT"])
def test_a_port_that_is_taken_is_said_before_anything_starts(tmp_path: Path, name: str) -> None:
    """Else the programs would speak to those of another chain on the same computer."""
    with (
        socket.create_server(("127.0.0.1", 0)) as taken,
        socket.create_server(("127.0.0.1", 0)) as other,
    ):
        free = other.getsockname()[1]
        other.close()
        port = taken.getsockname()[1]
        ports = {"BROKER_PORT": str(free), "DATABASE_PORT": str(free), name: str(port)}
        path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
        done = subprocess.run(
            ["sh", SCRIPT, tmp_path / "chain", "2"],
            env={**os.environ, **ports, "PATH": path},
            capture_output=True,
            text=True,
            timeout=30,
            check=False,
        )

    assert done.returncode == 1
    assert f"port {port} can't be used" in done.stderr
    assert f"{name}={port + 1} sh " in done.stderr
    assert not list((tmp_path / "chain").iterdir())
