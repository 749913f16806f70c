"""Made recordings, and journals with visits, for tests of the interface for scripts."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from command_kit import made_run
from pipeline_kit import START_UTC_S, reading
from register_kit import BENCH

from benchwatch.journal import Journal
from benchwatch.journal.schema import JournalRun
from benchwatch.reading import Gap, Mark
from benchwatch.register.register_entry import Draft
from benchwatch.register.register_file import RegisterFile, register_path

STATION_RUN = "station.csv"


def write_station_run(folder: Path, *, turned: bool = True) -> Path:
    """Write a made run of the tide-gauge station's 10 MHz oven: 900 s, turned after 300 s."""
    random = np.random.default_rng(12)
    rows = ["# tide-gauge station, 10 MHz oven", "time,frequency_hz"]
    for second in range(900):
        offset = 2e-9 + random.normal(0, 1e-10) - (2e-7 if turned and second < 300 else 0.0)
        at = f"2031-05-04T10:{second // 60:02d}:{second % 60:02d}Z"
        rows.append(f"{at},{10_000_000 + offset * 1e7:.4f}")
    path = folder / STATION_RUN
    path.write_text("\n".join(rows) + "\n")
    return path


def write_visit(journal: Path, *, readings: int = 40) -> None:
    """Write two runs of one counter into a journal, with a gap and a mark, and a visit of them."""
    runs = (made_run(0), made_run(3))
    kept = Journal(journal)
    random = np.random.default_rng(3)
    for run in runs:
        kept.save_run(run)
        for second in range(1, readings + 1):
            if second == 20:
                kept.write(run.key, _gap(run))
                continue
            text = f"{10_000_000 + 0.02 + random.normal(0, 1e-3):.4f}"
            event = reading(second, text, counter=run.counter)
            kept.write(run.key, replace(event, utc_s=run.started_utc_s + second))
        kept.write(
            run.key,
            Mark(
                counter=run.counter,
                utc_s=run.started_utc_s + readings,
                elapsed_s=readings,
                text="lid on",
            ),
        )
    kept.close()
    _write_register(journal, runs)


def _gap(run: JournalRun) -> Gap:
    return Gap(
        counter=run.counter,
        utc_s=run.started_utc_s + 19.5,
        elapsed_s=19.5,
        lasted_s=1.0,
        reason="no reply within 2.5 s",
    )


def _write_register(journal: Path, runs: Sequence[JournalRun]) -> None:
    opening = {"source": "watch", "counter": "main", "resource": BENCH, "nominal_hz": "10000000",
               "tolerance": 5e-9}  # fmt: skip
    draft = Draft(kind="visit", unit="0417", document=opening, at_utc_s=START_UTC_S)
    documents = [
        {"run": run.key, "journal": journal.name, "counter": run.counter, "resource": BENCH}
        for run in runs
    ]
    register = RegisterFile(register_path(journal), who="anna")
    register.add([draft, *(replace(draft, kind="run", document=one) for one in documents)])
