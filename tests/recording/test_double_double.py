"""Quotients and differences of long decimals are rounded once, many at a time.

Outside: the true division of Python's whole numbers, which is correctly rounded (Python reference,
`int.__truediv__` rounds half to even), `float()` of a decimal text, which is too, and `fractions`.
"""

import itertools
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from benchwatch.recording import read_recording
from benchwatch.recording.cell_parsing import read_texts
from benchwatch.recording.double_double import quotient, quotient_by_rest
from benchwatch.recording.phase_steps import exact_steps

LARGEST = (1 << 62) - 1
WHOLE = st.integers(-LARGEST, LARGEST)


@given(st.lists(WHOLE, min_size=1, max_size=20), st.integers(1, (1 << 100) - 1))
@example([(1 << 53) + 1, 1 << 61, -1], 1)
@example([3, 1, 0], 10**30)
def test_a_quotient_is_that_of_python(numbers: list[int], divisor: int) -> None:
    """Where it is called certain; and that is nearly always."""
    value, certain = quotient(np.array(numbers), divisor).rounded()

    for number, found, sure in zip(numbers, value.tolist(), certain.tolist(), strict=True):
        assert not sure or found == number / divisor
    rng = np.random.default_rng(7)
    assert quotient(rng.integers(-LARGEST, LARGEST, 10_000), 10**27).rounded()[1].mean() > 0.999


@given(st.lists(st.integers(-(10**12), 10**12), min_size=1, max_size=20), st.integers(15, 29))
def test_a_quotient_by_what_is_left_is_that_of_python(numbers: list[int], places: int) -> None:
    """As of a period: (1 - pf) / pf."""
    value, certain = quotient_by_rest(np.array(numbers), 10**places).rounded()

    for number, found, sure in zip(numbers, value.tolist(), certain.tolist(), strict=True):
        assert not sure or found == number / (10**places - number)


TEXTS = st.one_of(
    st.floats(-1e3, 1e3, allow_nan=False).map(repr),
    st.decimals(-1000, 1000, places=17, allow_nan=False).map(lambda d: f"{d:f}"),
    st.floats(-1e-8, 1e-8, allow_nan=False).map(repr),
)


@given(st.lists(TEXTS, min_size=1, max_size=30))
def test_numbers_are_those_of_float(texts: list[str]) -> None:
    """However many digits they have: leading zeros, 17 digits, exponents."""
    found = read_texts(texts)

    read = found.floats()
    for text, number, known in zip(texts, read.tolist(), found.known.tolist(), strict=True):
        assert not known or number == float(text)
    assert found.known.all() or any(len(text) > 20 for text in texts)


@given(st.text("0123456789H/:.-", min_size=1, max_size=24))
@example("000H00000000000000001")
@example("000000000000000000001")
@example("-0.00000000000000000123")
def test_what_is_no_number_is_never_read(text: str) -> None:
    """Whatever its length: it is known only if `float` takes it, and then it is that number."""
    found = read_texts([text])

    if found.known[0]:
        assert found.floats()[0] == float(text)


@given(st.lists(TEXTS, min_size=2, max_size=30))
def test_steps_are_exact_and_then_rounded(texts: list[str]) -> None:
    """Of neighbouring numbers of any length."""
    found = read_texts(texts)
    if not found.known.all():
        return

    steps = exact_steps(found)

    exact = [float(Fraction(b) - Fraction(a)) for a, b in itertools.pairwise(texts)]
    assert steps.tolist() == exact


@given(st.lists(st.floats(-1e-3, 1e-3), min_size=1, max_size=20), st.integers(0, 4))
def test_periods_give_the_offset_that_fractions_give(offsets: list[float], which: int) -> None:
    """1/p less the nominal, over the nominal, rounded once."""
    nominal = [Decimal(n) for n in ("10000000", "5000000", "10230000", "1", "1.5e9")][which]
    texts = [f"{1 / (float(nominal) * (1 + y)):.16e}" for y in offsets]
    found = read_texts(texts)

    offset = found.periods_minus(nominal)

    f = Fraction(nominal)
    assert offset.tolist() == [float((1 / Fraction(text) - f) / f) for text in texts]


def test_long_decimals_of_a_file_are_those_of_float(tmp_path: Path) -> None:
    """Ten thousand offsets as `repr` writes them: not one differs in its last bit."""
    values = np.random.default_rng(3).normal(0, 1e-9, 10_000)
    path = tmp_path / "run.csv"
    path.write_text(
        "time_s,offset\n" + "".join(f"{i},{v!r}\n" for i, v in enumerate(values.tolist()))
    )

    recording = read_recording(str(path))

    np.testing.assert_array_equal(recording.offset, values)
