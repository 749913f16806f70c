"""The document of a record: its sections in full and in short."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from benchwatch.estimate.uncertainty.offset_record import (
    Noise,
    OffsetRecord,
    Reference,
    offset_budget,
)
from benchwatch.estimate.uncertainty.uncertainty_budget import Budget, BudgetRow
from benchwatch.quantity import PPB
from benchwatch.report.blocks import Phrases, Sentence, Table, align_table
from benchwatch.report.record_document import DocumentStyle, document, record_text


@pytest.fixture
def made() -> OffsetRecord:
    """Return a record as left of a run on a stated reference."""
    budget = offset_budget(
        2.31e-9,
        noise=Noise(u=1e-10, dof=16.0, averaging_s=30.0),
        resolution=None,
        drift_per_s=1e-13,
        span_s=30.0,
        reference=Reference(name="station reference", u=5e-11, ageing_per_s=0.0),
    )
    return OffsetRecord(
        kind="as left",
        counter="ten\x1b[2J",
        nominal_hz=1e7,
        utc_s=0.0,
        span_s=30.0,
        readings=30,
        budget=budget,
        conditions=(("gate", "1 s"), ("caution", "tool on the trimmer")),
    )


def test_the_full_document_line_by_line(made: OffsetRecord) -> None:
    """Offset, conditions, a table of contributions, their sum, and what is not counted."""
    head, offset, expanded, gate, caution, *rest = record_text(made).splitlines()

    assert head.startswith("as left   ten")
    assert head.endswith("around 1970-01-01T00:00:00.000Z   30 readings over 30 s")
    assert "\x1b" not in head
    assert offset == "offset +2.31 ± 0.11 ppb, +0.0231 ± 0.0011 Hz (k = 1)"
    assert expanded == "U = 0.24 ppb, 0.0024 Hz (k = 2.11, 25 degrees of freedom, about 95 %)"
    assert (gate, caution) == ("gate: 1 s", "caution: tool on the trimmer")
    assert rest[1].startswith("contribution       u in ppb  distribution  dof  sensitivity")
    assert rest[-3] == "combined u = 0.112 ppb"
    assert rest[-2] == "Not counted: resolution of the counter."
    assert rest[-1] == "While anything is not counted, this uncertainty is a lower limit."


def test_the_short_document_has_only_the_caution_of_the_conditions(made: OffsetRecord) -> None:
    """Its tones show which parts the screen draws dim, strong, or as a warning."""
    style = DocumentStyle(unit=PPB, detail="short", moment=lambda _: "at noon")

    offset, when, expanded, caution, table, missing = document(made, style)

    assert isinstance(offset, Phrases)
    assert [span.tone for phrase in offset.phrases for span in phrase] == [
        "quiet", "strong", "text",
    ]  # fmt: skip
    assert when == Sentence("around at noon, 30 readings over 30 s; k = 1", "quiet")
    assert expanded == Sentence(
        "U = 0.24 ppb, 0.0024 Hz (k = 2.11, 25 degrees of freedom, about 95 %)"
    )
    assert caution == Sentence("caution: tool on the trimmer", "warning")
    assert isinstance(table, Table)
    assert [row[0] for row in table.rows] == [row.name for row in made.budget.lines]
    assert missing == Sentence("not counted: resolution of the counter", "warning")


def test_a_record_without_nominal_or_date_leaves_both_out(made: OffsetRecord) -> None:
    """No hertz and no date, and no placeholder for them."""
    bare = replace(made, nominal_hz=None, utc_s=None, conditions=())

    head, offset, *_ = record_text(bare).splitlines()

    assert "around" not in head
    assert offset == "offset +2.31 ± 0.11 ppb (k = 1)"


@pytest.mark.parametrize(
    ("dof", "said"),
    [
        (math.inf, "U = 0.20 ppb (k = 2.00, unlimited degrees of freedom, about 95 %)"),
        (10.0, "U = 0.23 ppb (k = 2.28, 10 degrees of freedom, about 95 %)"),
        (3.0, "U = 0.33 ppb (k = 3.31, 3 degrees of freedom, about 95 %)"),
        (0.5, "U: not stated, too few degrees of freedom"),
    ],
)
def test_the_expanded_uncertainty_has_the_k_of_its_degrees_of_freedom(dof: float, said: str):
    """The column of 95.45 % in GUM table G.2: 2.00, 2.28 at 10 and 3.31 at 3; the same in both."""
    row = BudgetRow(name="noise", source="made", u=1e-10, distribution="type A", dof=dof)
    made = OffsetRecord(
        kind="as found", counter="main", nominal_hz=None, utc_s=None,
        span_s=60.0, readings=60, budget=Budget((row,)),
    )  # fmt: skip
    short = document(made, DocumentStyle(unit=PPB, detail="short"))

    assert Sentence(said) in short
    full = record_text(made).splitlines()
    assert said in full
    assert sum("U" in line for line in full) == 1


def test_columns_of_numbers_are_flush_right() -> None:
    """Also, control characters in a cell are replaced."""
    lines = align_table(("name", "u"), [("a", "1.25"), ("long \x1b[2J", "-")]).splitlines()

    assert lines[1].endswith("  1.25")
    assert lines[2].endswith("     -")
    assert "\x1b" not in lines[2]


def test_unlimited_degrees_of_freedom_are_written_as_a_word() -> None:
    """Half a billion of them are unlimited; sixteen stay sixteen (GUM, table G.2)."""

    def total(dof: float) -> str:
        parts = (BudgetRow(name="noise", source="made", u=1e-10, distribution="type A", dof=dof),)
        made = OffsetRecord(
            kind="as left",
            counter="main",
            nominal_hz=1e7,
            utc_s=None,
            span_s=60.0,
            readings=60,
            budget=Budget(parts),
        )
        return record_text(made)

    assert "k = 2.00, unlimited degrees of freedom" in total(569547201553624.0)
    assert "k = 2.17, 16 degrees of freedom" in total(16.75)


@pytest.mark.parametrize(
    ("coverage", "said"),
    [
        (0.9545, "(k = 2.17, 16 degrees of freedom, about 95 %)"),
        (0.95, "(k = 2.12, 16 degrees of freedom, 95 %)"),
        (0.99, "U = 93 ppb (k = 2.92, 16 degrees of freedom, 99 %)"),
    ],
)
def test_the_end_gauge_of_the_gum_at_three_coverages(coverage: float, said: str) -> None:
    """JCGM 100:2008, H.1 (1 nm as 1 ppb): u_c 32, ν_eff 16, t99 2.92, U99 93; G.2: 2.12, 2.17.

    k is compared with the quantile of scipy's t distribution, U with that times the root of the
    sum of squares by numpy.
    """
    u, dof = np.array([25e-9, 9.7e-9, 2.9e-9, 16.6e-9]), (18.0, 25.6, 50.0, 2.0)
    names = ("standard", "difference", "expansion", "temperature")
    rows = tuple(
        BudgetRow(name=name, source="H.1", u=float(one), distribution="type A", dof=freedom)
        for name, one, freedom in zip(names, u, dof, strict=True)
    )
    made = OffsetRecord(
        kind="as left", counter="main", nominal_hz=None, utc_s=None, span_s=60.0, readings=5,
        budget=Budget(rows),
    )  # fmt: skip
    k = float(stats.t.ppf((1.0 + coverage) / 2.0, 16))
    expanded = made.expanded(coverage)

    text = record_text(made, coverage)

    assert said in text
    assert text.count("U = ") == 1
    assert expanded is not None
    assert expanded.k == pytest.approx(k, rel=1e-9)
    assert expanded.half_width == pytest.approx(k * float(np.linalg.norm(u)), rel=1e-9)
    assert "combined u = 31.7 ppb" in text
