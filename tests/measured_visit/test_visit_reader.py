"""What is read of a visit: offsets, turns, gaps, deviations, and what to do without a journal."""

import math
import sqlite3
from contextlib import closing
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import allantools
import numpy as np
import pytest
from journal_kit import noise
from report_kit import (
    FOUND,
    HOSTILE,
    LEFT,
    NOISE,
    REFERENCE,
    FedWatch,
    MadeVisit,
    ageing_visits,
    bad_visit,
    empty_visit,
    good_visit,
    hostile_visit,
    many_readings_visit,
)
from visit_kit import MadeBench

from benchwatch.journal.archive import archive
from benchwatch.journal.journal_reader import JournalReader
from benchwatch.measured_visit.measured_visit import MeasuredVisit, ThinnedOffsets
from benchwatch.measured_visit.visit_reader import read_measured_visit
from benchwatch.reading import TYPED

PLAUSIBLE = 6 * NOISE
"""No reading of made white noise is farther from the truth, with the last digit of 0.01 ppb."""


def measured(visit: MadeVisit, points: int = 1200) -> MeasuredVisit:
    """Read a made visit."""
    return read_measured_visit(visit.visit, visit.folder, points=points)


def change(visit: MadeVisit, statement: str) -> None:
    """Change the journal as anybody with an SQLite tool can."""
    with closing(sqlite3.connect(visit.journal)) as journal, journal:
        assert journal.execute(statement).rowcount > 0


def between(offsets: ThinnedOffsets, begin_s: float, end_s: float) -> tuple[float, float]:
    """Return the lowest and highest offset between two times."""
    time, low, high = map(np.array, (offsets.utc_s, offsets.low, offsets.high))
    here = (time > begin_s) & (time < end_s) & np.isfinite(low)
    return float(low[here].min()), float(high[here].max())


def test_turns_tool_and_levels_of_a_good_visit(tmp_path: Path):
    """Each is where it was made; the offsets are corrected by the offset of the reference."""
    made = good_visit(tmp_path)
    found = measured(made)
    first_s, last_s = made.turns[0][0], made.turns[-1][0]
    low, high = between(found.offsets, first_s - 300.0, first_s - 60.0)
    left_low, left_high = between(found.offsets, last_s + 100.0, last_s + 700.0)

    assert [turn.utc_s for turn in found.turns] == [at for at, _ in made.turns]
    for turn, (_, size) in zip(found.turns, made.turns, strict=True):
        assert turn.u is not None
        assert turn.size == pytest.approx(size, abs=4 * turn.u)
    (tool,) = found.tool_on
    assert tool.begin_utc_s < first_s < last_s < (tool.end_utc_s or 0.0)
    assert FOUND - PLAUSIBLE < low < high < FOUND + PLAUSIBLE
    assert LEFT - PLAUSIBLE < left_low < left_high < LEFT + PLAUSIBLE
    assert (left_low + left_high) / 2 == pytest.approx(LEFT, abs=REFERENCE.offset / 3)
    assert found.notes == ()


def test_the_warm_up_ends_where_the_unit_is_touched(tmp_path: Path):
    """It begins with the first reading, whose gate lasts 10 s, and comes in from far away."""
    made = good_visit(tmp_path)
    found = measured(made)
    times = [time for time in found.warm_up.utc_s if math.isfinite(time)]

    assert made.power_on_utc_s is not None
    assert found.power_on_utc_s == made.power_on_utc_s + 5.0
    assert times[0] == pytest.approx(made.power_on_utc_s, abs=11.0)
    assert times[-1] < min(made.turns[0][0], found.tool_on[0].begin_utc_s)
    assert found.warm_up.high[0] > 3e-7
    assert [mark.state for mark in found.settle_marks][:2] == ["warming", "settled"]


def test_runs_state_how_they_were_read(tmp_path: Path):
    """Counter, gates, gaps and readings; readings at other dial settings are not counted."""
    made = good_visit(tmp_path)
    night, day = measured(made).runs

    assert (night.number, day.number) == (1, 2)
    assert (night.gates_s, day.gates_s) == ((10.0,), (1.0, 10.0))
    assert night.readings + day.readings == made.readings
    assert (night.time_base, day.time_base) == ("external", "external")
    assert (day.gaps, day.missing_s) == (1, 12.0)
    assert day.end_reason == "stopped"
    assert day.journal == "journal.db"


def test_readings_at_other_dial_settings_are_left_out(tmp_path: Path):
    """One output misses by 20 ppb: that is no offset of the unit."""
    made = good_visit(tmp_path)
    found = measured(made)
    last_s = made.turns[-1][0]

    assert between(found.offsets, last_s + 100.0, math.inf)[1] < 1e-9


def test_gaps_and_the_night_are_breaks(tmp_path: Path):
    """A break is a point that is no number; the night is a gap between two runs."""
    made = good_visit(tmp_path)
    found = measured(made)
    lasted = sorted((gap.end_utc_s or 0.0) - gap.begin_utc_s for gap in found.gaps)
    breaks = [time for time, low in zip(found.offsets.utc_s, found.offsets.low, strict=True)
              if math.isnan(low)]  # fmt: skip

    assert lasted[-1] == pytest.approx(14 * 3600.0, abs=2.0)
    assert lasted[0] == 12.0
    assert len(breaks) == len(found.gaps) == 4
    assert list(found.offsets.utc_s) == sorted(found.offsets.utc_s)


def test_deviations_since_the_tool_was_lifted(tmp_path: Path):
    """They agree with AllanTools, a general-purpose library, on the same readings."""
    made = good_visit(tmp_path)
    stability = measured(made).stability
    with JournalReader(made.journal) as journal:
        run = journal.runs()[-1]
        texts = [
            (row[2] + run.started_utc_s, row[4])
            for portion in journal.portions(run)
            for row in portion.readings
        ]
    assert stability is not None
    last_gap_s = made.turns[-1][0] + 71.0  # the readings until then have a gap after them
    offsets = [
        float((Decimal(text) - 10_000_000) / 10_000_000)
        for utc_s, text in texts
        if last_gap_s < utc_s < last_gap_s + 640.0
    ]
    taus, deviations, _, _ = allantools.oadev(
        np.array(offsets), rate=1.0, data_type="freq", taus=[1, 2, 4, 8]
    )

    assert stability.begin_utc_s > made.turns[-1][0] + 39.0
    assert stability.points[0].value == pytest.approx(NOISE, rel=0.1)
    for point, tau_s, value in zip(stability.points, taus, deviations, strict=False):
        assert point.tau_s == tau_s
        assert point.value == pytest.approx(value, rel=0.05)  # a few more readings before the gap
        assert point.low is not None
        assert point.low < point.value < (point.high or 0.0)


def test_a_bad_visit_is_said_to_be_one(tmp_path: Path):
    """Cut off, by the internal time base, never settled, the tool still on, one turn."""
    found = measured(bad_visit(tmp_path))
    (run,) = found.runs

    assert run.end_reason == ""
    assert run.time_base == "internal"
    assert run.ended_utc_s is not None
    assert [mark.state for mark in found.settle_marks] == ["warming"]
    assert found.tool_on[-1].end_utc_s is None
    assert len(found.turns) == 1


def test_a_time_base_that_changed_within_a_run(tmp_path: Path):
    """Both are named."""
    made = FedWatch(MadeBench(tmp_path))
    watched = made.begin("0418", settle=None)
    made.feed([FOUND] * 20)
    made.time_base("internal")
    made.feed([FOUND] * 20)
    watched.end()

    assert measured(made.done()).runs[0].time_base == "external and internal"


def test_no_deviation_reaches_over_a_change_of_the_time_base(tmp_path: Path):
    """The step is one of the counter, and not of the unit: only what came after it is used."""
    made = FedWatch(MadeBench(tmp_path))
    watched = made.begin("0418", settle=None)
    made.feed([FOUND] * 60)
    made.time_base("internal")
    made.feed([FOUND + 3e-8] * 60)
    watched.end()
    stability = measured(made.done()).stability

    assert stability is not None
    assert stability.readings == 60
    assert max(point.value for point in stability.points) < 2 * NOISE


def test_typed_readings_have_no_deviations(tmp_path: Path):
    """They come when a person types, and not at equal times."""
    made = many_readings_visit(tmp_path, 500)
    change(made, f"UPDATE runs SET resource = '{TYPED}'")

    assert measured(made).stability is None


def test_an_empty_visit(tmp_path: Path):
    """Nothing was read, and nothing is wrong with that."""
    found = measured(empty_visit(tmp_path))

    assert found.offsets == found.warm_up == ThinnedOffsets()
    assert found.stability is None
    assert found.fingerprint is None
    assert [run.readings for run in found.runs] == [0]
    assert found.notes == ()


def test_switching_off_begins_the_warm_up_anew(tmp_path: Path):
    """As long as nothing was turned yet."""
    bench = MadeBench(tmp_path)
    made = FedWatch(bench)
    watched = made.begin("0418", settle=None)
    made.feed([FOUND] * 20)
    watched.end()
    bench.clock.now_s += 3600.0
    watched = made.begin("0418", settle=None)
    second_s = bench.clock.utc()
    watched.counter.change_visit("switched off", "")
    made.feed([FOUND] * 20)
    watched.end()
    found = measured(made.done())

    assert found.power_on_utc_s == second_s + 0.5
    assert found.warm_up.readings == 20
    assert found.offsets.readings == 40


@pytest.mark.parametrize("points", [12, 100, 1200])
def test_thinning_hides_no_extreme(tmp_path: Path, points: int):
    """One reading among many is 400 ppb off: the highest offset shows it at its time."""
    made = many_readings_visit(tmp_path, 60_000, spike_at=41_234)
    found = measured(made, points)
    highest = int(np.nanargmax(found.offsets.high))
    opened_s = made.visit.opened_utc_s

    assert max(found.offsets.high) == pytest.approx(4e-7, rel=1e-9)
    assert len(found.offsets.utc_s) <= points
    assert found.offsets.utc_s[highest] == pytest.approx(opened_s + 41_234, abs=60_000 / points)
    assert found.offsets.readings == 60_000
    assert found.runs[0].spikes == 1


def test_deviations_without_a_spike(tmp_path: Path):
    """It is counted, and the white noise is what is left."""
    stability = measured(many_readings_visit(tmp_path, 20_000, spike_at=777)).stability

    assert stability is not None
    assert stability.spikes == 1
    assert stability.points[0].value == pytest.approx(2e-11, rel=0.05)
    assert stability.points[0].noise == "white FM"


def test_archived_runs_beside_the_register(tmp_path: Path):
    """Are read as before; the journal that has them now is named."""
    made = good_visit(tmp_path)
    before = measured(made)
    archive(made.journal, tmp_path / "2031.db", made.visit.runs[1].at_utc_s - 3600.0)
    after = measured(made)

    assert [run.journal for run in after.runs] == ["2031.db", "journal.db"]
    np.testing.assert_array_equal(after.offsets.low, before.offsets.low)  # nan equals nan here
    assert after.offsets.utc_s == before.offsets.utc_s
    assert after.fingerprint == before.fingerprint
    assert after.notes == ()


def test_runs_in_no_journal_at_hand(tmp_path: Path):
    """The sentence says which, and what to do; the others are shown."""
    made = good_visit(tmp_path / "bench")
    archive(made.journal, tmp_path / "away.db", made.visit.runs[1].at_utc_s - 3600.0)
    found = measured(made)

    assert " ".join(found.notes) == (
        "1 of its 2 runs is in no journal beside the register (the register names journal.db): "
        "what was read then is not shown. Put the journal or archive into the folder of the "
        "register."
    )
    assert (found.runs[0].number, found.runs[0].counter) == (None, "main")
    assert found.runs[1].readings > 1000


def test_no_journal_at_all(tmp_path: Path):
    """The report goes on with what the register has."""
    made = good_visit(tmp_path)
    made.journal.unlink()
    found = measured(made)

    assert [run.number for run in found.runs] == [None, None]
    assert found.fingerprint is None
    assert "2 of its 2 runs are in no journal" in found.notes[0]


@pytest.mark.parametrize("content", [b"", b"no database at all, but text" * 100])
def test_a_file_that_is_no_journal(tmp_path: Path, content: bytes):
    """A sentence, and no traceback."""
    made = good_visit(tmp_path)
    made.journal.unlink()
    made.journal.write_bytes(content)
    found = measured(made)

    assert found.fingerprint is None
    assert found.notes


def test_a_damaged_journal(tmp_path: Path):
    """What comes before the damage is shown, and a sentence says that it is not all."""
    made = many_readings_visit(tmp_path, 60_000)
    content = made.journal.read_bytes()
    for name in ("journal.db-wal", "journal.db-shm"):
        (tmp_path / name).unlink(missing_ok=True)
    made.journal.write_bytes(noise(len(content) // 4096 // 2, -20)(content))
    found = measured(made)

    assert 5000 <= found.offsets.readings < 60_000
    assert any("can't be read to its end" in note for note in found.notes)


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE readings SET text = 'ten MHz' WHERE number = 350", "1 reading of run 1"),
        ("UPDATE readings SET text = '9.9E37' WHERE number = 350", "nowhere near 10 MHz"),
        ("UPDATE readings SET text = '5000000.0' WHERE number = 350", "nowhere near 10 MHz"),
        ("UPDATE readings SET utc_s = 'noon' WHERE number = 1350", "can't be read to its end"),
        ("UPDATE notes SET document = '[[[['", ""),
        ('UPDATE notes SET document = \'{"nudge": {"size": 1e999, "u": {}}}\'', ""),
        ("UPDATE notes SET elapsed_s = 'noon'", ""),
        ("UPDATE notes SET document = x'ff00'", ""),
        ("UPDATE gaps SET lasted_s = -1e300", ""),
        ("UPDATE runs SET nominal_hz = NULL", ""),
        ("UPDATE runs SET nominal_hz = 'ten'", "can't be read"),
        ("DELETE FROM runs WHERE end_reason = 'stopped'", "no journal"),
    ],
)
def test_what_was_changed_by_hand(tmp_path: Path, statement: str, said: str):
    """Is left out, with a sentence where readings are."""
    made = good_visit(tmp_path)
    change(made, statement)
    found = measured(made)

    assert said in " ".join(found.notes)
    assert bool(said) == bool(found.notes)


def test_a_name_of_a_journal_leads_to_no_other_folder(tmp_path: Path):
    """The register may come from another machine."""
    made = good_visit(tmp_path / "bench")
    moved = made.journal.rename(tmp_path / "journal.db")
    visit = made.visit
    runs = tuple(replace(run, journal=f"../{moved.name}") for run in visit.runs)
    found = read_measured_visit(replace(visit, runs=runs), made.folder)

    assert found.fingerprint is None


def test_texts_of_instruments_are_cleaned(tmp_path: Path):
    """No escape of a terminal gets through."""
    made = hostile_visit(tmp_path)
    change(made, f"UPDATE runs SET identity = '{HOSTILE[7].replace(chr(39), '')}'")
    (run,) = measured(made).runs

    assert run.identity
    assert run.identity.isprintable()


def test_the_newest_of_several_visits(tmp_path: Path):
    """Only its own run is read."""
    found = measured(ageing_visits(tmp_path, years=2))

    assert [run.number for run in found.runs] == [2]
    assert found.offsets.readings == 180


def test_a_clock_that_was_set_back_between_two_runs(tmp_path: Path):
    """A sentence says so, and both runs are shown."""
    bench = MadeBench(tmp_path)
    made = FedWatch(bench)
    watched = made.begin("0418", settle=None)
    made.feed([FOUND] * 60)
    watched.end()
    bench.clock.shift_s -= 50.0
    watched = made.begin("0418", settle=None)
    made.feed([FOUND] * 60)
    watched.end()
    found = measured(made.done())

    assert "begins before the run before it has ended" in found.notes[0]
    assert found.offsets.readings == 120
    assert list(found.offsets.utc_s) == sorted(found.offsets.utc_s)
