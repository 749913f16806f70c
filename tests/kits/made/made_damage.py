"""Damaged files: tables, JSON lines and journals that are changed at random."""

import json
import random
import sqlite3
from pathlib import Path

NASTY = (
    "", "nan", "inf", "-inf", "null", "1e400", "1e-400", "1e9999999", "-1", "0", "9.9E37",
    "9.91E37", "9" * 300, "1_000", "0x10", "1,5", "\u0661", "\x1b[2J", "<script>", "[red]", '"',
    "'", "[]", "{}", "true", "2031-02-30T00:00:00Z", "2031-05-04T24:61:00Z", "a;b", "\t", "%s%n",
    "0001-01-01T00:00:00+23:59", "\0", "\r", "\ufeff", "-0.0", "1.0000000000000000000000001",
)  # fmt: skip
"""Cells that the program never writes where a number, a word or a date belongs."""
VALUES = (None, "", "word", b"\x00\xff", -1, 0, 1e300, float("inf"), 2**62, "1e400", "\x1b[2J", 1.5)
"""Such cells of a journal."""


def table(rng: random.Random, rows: int) -> str:
    """Return a good table in one of the forms that the program reads."""
    column, write = rng.choice(
        [
            ("frequency_hz", lambda y: f"{1e7 * (1 + y):.4f}"),
            ("offset", lambda y: f"{y:.6e}"),
            ("period_s", lambda y: f"{1e-7 * (1 - y):.18f}"),
            ("phase_s", lambda y: f"{y * 10:.16f}"),
            ("offset_ppb", lambda y: f"{y * 1e9:.4f}"),
        ]
    )
    dated = rng.random() < 0.5
    lines = [f"{'time' if dated else 'time_s'},{column}"]
    for i in range(rows):
        at = f"2031-05-04T10:{i // 60:02d}:{i % 60:02d}.5Z" if dated else str(i)
        lines.append(f"{at},{write(rng.gauss(2e-9, 1e-10))}")
    return "\n".join(lines) + "\n"


def json_lines(rng: random.Random, rows: int) -> str:
    """Return good JSON lines of readings."""
    lines = []
    for i in range(rows):
        high_hz = round(rng.gauss(0.02, 0.001), 4)
        row = {
            "kind": "reading", "counter": "main", "time": f"2031-05-04T10:20:{i % 60:02d}.000Z",
            "elapsed_s": i, "gate_s": 1.0, "frequency_hz": 1e7 + high_hz, "offset_hz": high_hz,
            "offset": high_hz / 1e7, "flags": [], "text": f"{1e7 + high_hz:.4f}",
        }  # fmt: skip
        lines.append(json.dumps(row, separators=(",", ":")))
    return "\n".join(lines) + "\n"


def mutated(rng: random.Random, text: str) -> bytes:
    """Return a text file's content with a few random changes."""
    data = text
    for _ in range(rng.randint(1, 4)):
        lines = data.split("\n")
        line = rng.randrange(len(lines))
        how = rng.randrange(6)
        if how == 0:
            cells = lines[line].split(",")
            cells[rng.randrange(len(cells))] = rng.choice(NASTY)
            lines[line] = ",".join(cells)
        elif how == 1:
            head, colon, _ = lines[line].partition(":")
            lines[line] = head + colon + rng.choice(NASTY)
        elif how == 2:
            del lines[line]
        elif how == 3:
            lines.insert(line, lines[rng.randrange(len(lines))])
        elif how == 4:
            at = rng.randrange(len(lines[line]) + 1)
            lines[line] = lines[line][:at] + rng.choice(NASTY) + lines[line][at:]
        else:
            lines = lines[: line + 1]
        data = "\n".join(lines)
    raw = bytearray(data.encode("utf-8", "surrogatepass"))
    if raw and rng.random() < 0.3:
        raw[rng.randrange(len(raw))] = rng.randrange(256)
    if raw and rng.random() < 0.2:
        raw = raw[: rng.randrange(len(raw))]
    return bytes(raw)


def mutated_journal(rng: random.Random, source: Path, path: Path) -> None:
    """Copy a journal, and change some of its cells or some of its bytes."""
    path.write_bytes(source.read_bytes())
    if rng.random() < 0.7:
        connection = sqlite3.connect(path)
        names = [row[0] for row in connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table'")]  # fmt: skip
        for _ in range(rng.randint(1, 3)):
            table_name = rng.choice(names)
            columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table_name})")]
            try:
                connection.execute(
                    f"UPDATE {table_name} SET {rng.choice(columns)} = ? WHERE rowid % 7 = ?",
                    (rng.choice(VALUES), rng.randrange(7)),
                )
            except sqlite3.Error:
                continue  # the schema refuses the value
        connection.commit()
        connection.close()
        return
    raw = bytearray(path.read_bytes())
    for _ in range(rng.randint(1, 30)):
        raw[rng.randrange(100, len(raw))] = rng.randrange(256)
    path.write_bytes(raw[: rng.randrange(200, len(raw))] if rng.random() < 0.3 else raw)


def good_journal(path: Path, readings: int) -> None:
    """Write a journal as the first release did, with the plain SQLite of Python."""
    connection = sqlite3.connect(path)
    connection.executescript("""
        PRAGMA application_id = 1115114033;
        PRAGMA user_version = 2;
        CREATE TABLE runs (run, watch, counter, resource, driver, started_utc_s, nominal_hz,
            identity, time_base, gate_s, settings, ended_utc_s, end_reason);
        CREATE TABLE readings (run, number, utc_s, elapsed_s, gate_s, text, resolution_hz, flags);
        CREATE TABLE gaps (run, number, utc_s, elapsed_s, lasted_s, reason);
        CREATE TABLE marks (run, number, utc_s, elapsed_s, text);
        CREATE TABLE records (run, number, utc_s, elapsed_s, kind, document);
        CREATE INDEX by_number ON readings (run, number);
        INSERT INTO runs VALUES (17, 5, 'main', 'x', 'scpi', 2e9, '10000000', '', 'external', 1.0,
            '{}', NULL, '');
        INSERT INTO marks VALUES (17, 3, 2e9, 2.5, 'cover on');
    """)
    rng = random.Random(7)
    connection.executemany(
        "INSERT INTO readings VALUES (17, ?, ?, ?, 1.0, ?, 1e-4, '')",
        (
            (n, 2e9 + n, float(n), f"{1e7 + rng.gauss(0.024, 0.001):.4f}")
            for n in range(1, readings + 1)
        ),
    )
    connection.execute(
        "INSERT INTO gaps VALUES (17, ?, 2e9, ?, 5.0, 'no reply')", (readings + 1, readings + 0.5)
    )
    connection.commit()
    connection.close()
