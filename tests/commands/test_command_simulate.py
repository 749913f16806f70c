"""``benchwatch simulate``: what it prints of the bench that it serves."""

import json
import signal

from program_kit import start_program


def test_a_program_reads_where_each_counter_is() -> None:
    """A line of JSON a counter, with the driver and the nominal that fit; then Ctrl-C ends it."""
    serving = start_program("simulate", "pair", "--seed", "7", "--json")
    assert serving.stdout is not None
    told = [json.loads(serving.stdout.readline()) for _ in range(2)]
    serving.send_signal(signal.SIGINT)
    serving.communicate(timeout=60)

    assert [one["name"] for one in told] == ["ten", "five"]
    assert [one["nominal_hz"] for one in told] == [10e6, 5e6]
    assert all(one["resource"].startswith("TCPIP0::127.0.0.1::") for one in told)
    assert {(one["kind"], one["bench"], one["seed"]) for one in told} == {("counter", "pair", 7)}
    assert serving.returncode == 130
