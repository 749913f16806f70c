"""Columns come back from the database as they were written, in whichever form."""

from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from server_kit import database

from benchwatch.central_record.column_arrays import (
    number_array,
    optional_text_array,
    real_array,
    register_real_arrays,
    text_array,
)

reals = st.floats(allow_nan=False, width=64) | st.integers(-(2**53), 2**53)
texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"))


@pytest.fixture(name="connection", scope="module")
def _connection() -> Iterator[Any]:
    with database() as made, made.connect() as connection:
        register_real_arrays(connection)
        yield connection


def returned(connection: Any, kind: str, array: str | bytes) -> Any:
    """Return what the database makes of an array."""
    return connection.execute(f"SELECT %s::{kind}[]", (array,)).fetchone()[0]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.lists(reals) | st.lists(st.none() | reals))
def test_reals_keep_all_their_digits(connection: Any, values: list[float | None]) -> None:
    """Also the smallest, the largest and the negative zero, with NULL among them or not."""
    for array in (real_array(values), number_array(values)):
        assert list(map(repr, returned(connection, "float8", array))) == [
            repr(None if value is None else float(value)) for value in values
        ]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.lists(texts))
def test_texts_keep_all_their_signs(connection: Any, values: list[str]) -> None:
    """Quotes, backslashes, braces, commas, the word NULL and nothing at all."""
    assert returned(connection, "text", text_array(values)) == values
    assert returned(connection, "text", optional_text_array([*values, None])) == [*values, None]


def test_what_is_no_number_is_no_array_of_reals() -> None:
    """That is an error of the data, as any other value that can't be written."""
    with pytest.raises(ValueError, match="float"):
        real_array([1.0, "2"])  # type: ignore[list-item]
