"""Servers for a station that sends: a broker a file, a central record a test."""

from collections.abc import Iterator

import pytest
from central_record_kit import made_record
from server_kit import Broker, Database, broker, database


@pytest.fixture(name="record")
def _record() -> Iterator[Database]:
    with database() as made:
        made_record(made)
        yield made


@pytest.fixture(name="server", scope="module")
def _server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    with broker(tmp_path_factory.mktemp("broker")) as server:
        yield server
