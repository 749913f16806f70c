"""The tables, functions and grants of the central record, as steps from one schema to the next."""

from dataclasses import dataclass
from typing import Final

DAYS_BACK: Final = 400
DAYS_AHEAD: Final = 2
"""Days before and after the present one that may have a partition of readings of their own."""

KEEPER_ROLE: Final = "benchwatch_keeper"
READER_ROLE: Final = "benchwatch_reader"
ROLES: Final = {
    KEEPER_ROLE: "adds what stations send; it can't delete, empty or change a table",
    READER_ROLE: "reads",
}
"""Roles of the database server, and what each may do; they are granted, and don't log in."""


@dataclass(frozen=True, slots=True)
class Step:
    """What makes one version of the schema from the version before it."""

    statements: tuple[str, ...]
    writable_from: int
    """A program that knows this version of the schema or a later one may write afterwards."""


# Text comes last in a row, and before it columns of one width stand together, which saves padding:
# of readings 8 bytes each.
_TABLES: Final = """
CREATE TABLE benchwatch.schema_version (
    version int NOT NULL, writable_from int NOT NULL,
    only_row boolean PRIMARY KEY DEFAULT true CHECK (only_row));
CREATE TABLE benchwatch.runs (
    run_id int4 GENERATED ALWAYS AS IDENTITY PRIMARY KEY, station text NOT NULL, run int8 NOT NULL,
    watch int8 NOT NULL, counter text NOT NULL, resource text NOT NULL, driver text NOT NULL,
    started_utc_s float8 NOT NULL, nominal_hz text, identity text NOT NULL,
    time_base text NOT NULL, gate_s float8, settings text NOT NULL, ended_utc_s float8,
    end_reason text NOT NULL, has_all_to int8 NOT NULL DEFAULT 0, first_utc_s float8,
    last_utc_s float8, changed timestamptz NOT NULL DEFAULT now(), UNIQUE (station, run))
    WITH (fillfactor = 50);
CREATE TABLE benchwatch.readings (
    number int8 NOT NULL, utc_s float8 NOT NULL, elapsed_s float8 NOT NULL, gate_s float8,
    resolution_hz float8 NOT NULL, run_id int4 NOT NULL, text text NOT NULL, flags text NOT NULL)
    PARTITION BY RANGE (utc_s);
CREATE TABLE benchwatch.readings_other PARTITION OF benchwatch.readings DEFAULT;
CREATE UNIQUE INDEX ON benchwatch.readings_other (run_id, number);
CREATE INDEX ON benchwatch.readings_other (utc_s);
CREATE TABLE benchwatch.gaps (
    run_id int4 NOT NULL, number int8 NOT NULL, utc_s float8 NOT NULL, elapsed_s float8 NOT NULL,
    lasted_s float8 NOT NULL, reason text NOT NULL, PRIMARY KEY (run_id, number));
CREATE TABLE benchwatch.marks (
    run_id int4 NOT NULL, number int8 NOT NULL, utc_s float8 NOT NULL, elapsed_s float8 NOT NULL,
    text text NOT NULL, PRIMARY KEY (run_id, number));
CREATE TABLE benchwatch.records (
    run_id int4 NOT NULL, number int8 NOT NULL, utc_s float8 NOT NULL, elapsed_s float8 NOT NULL,
    kind text NOT NULL, document text NOT NULL, PRIMARY KEY (run_id, number));
CREATE TABLE benchwatch.notes (
    run_id int4 NOT NULL, number int8 NOT NULL, utc_s float8 NOT NULL, elapsed_s float8 NOT NULL,
    kind text NOT NULL, document text NOT NULL, PRIMARY KEY (run_id, number));
CREATE TABLE benchwatch.chains (
    chain_id int4 GENERATED ALWAYS AS IDENTITY PRIMARY KEY, station text NOT NULL,
    chain text NOT NULL, has_all_to int8 NOT NULL DEFAULT 0, UNIQUE (station, chain));
CREATE TABLE benchwatch.entries (
    chain_id int4 NOT NULL REFERENCES benchwatch.chains, number int8 NOT NULL, at text NOT NULL,
    who text NOT NULL, kind text NOT NULL, unit text, visit text, amends text,
    document text NOT NULL, hash text NOT NULL, PRIMARY KEY (chain_id, number));
CREATE TABLE benchwatch.refused (
    id int8 GENERATED ALWAYS AS IDENTITY PRIMARY KEY, at timestamptz NOT NULL DEFAULT now(),
    station text NOT NULL, stream text NOT NULL, after int8, upto int8, why text NOT NULL,
    payload bytea);
CREATE INDEX refused_by_station ON benchwatch.refused (station, at);
CREATE TABLE benchwatch.archived (
    day date NOT NULL, part int NOT NULL, file text NOT NULL, rows int8 NOT NULL,
    sha256 text NOT NULL, at timestamptz NOT NULL DEFAULT now(), dropped timestamptz,
    PRIMARY KEY (day, part));
"""

# A function of the owner, so that the keeper's role needs no right to make tables. Only the lock
# on the rest of the readings and the move out of it keep others waiting, and for 2 s at most.
_MAKE_DAY: Final = f"""
CREATE FUNCTION benchwatch.make_day(asked date) RETURNS boolean
LANGUAGE plpgsql STRICT SECURITY DEFINER
SET search_path = pg_catalog, pg_temp SET lock_timeout = '2s' AS $$
DECLARE
    today date := (now() AT TIME ZONE 'UTC')::date;
    partition text := 'readings_' || to_char(asked, 'YYYYMMDD');
    from_s float8; to_s float8;
BEGIN
    IF asked NOT BETWEEN today - {DAYS_BACK} AND today + {DAYS_AHEAD} THEN RETURN false; END IF;
    PERFORM pg_advisory_xact_lock(1113027921, 1);
    IF to_regclass('benchwatch.' || partition) IS NOT NULL THEN RETURN true; END IF;
    from_s := extract(epoch FROM asked::timestamp);
    to_s := from_s + 86400;
    EXECUTE format('CREATE TABLE benchwatch.%I (LIKE benchwatch.readings INCLUDING ALL,'
        ' CHECK (utc_s >= %s AND utc_s < %s))', partition, from_s, to_s);
    EXECUTE format('CREATE UNIQUE INDEX ON benchwatch.%I (run_id, number)', partition);
    LOCK TABLE benchwatch.readings_other IN ACCESS EXCLUSIVE MODE;
    EXECUTE format('WITH moved AS (DELETE FROM benchwatch.readings_other'
        ' WHERE utc_s >= %s AND utc_s < %s RETURNING *)'
        ' INSERT INTO benchwatch.%I SELECT * FROM moved', from_s, to_s, partition);
    EXECUTE format('ALTER TABLE benchwatch.readings ATTACH PARTITION benchwatch.%I'
        ' FOR VALUES FROM (%s) TO (%s)', partition, from_s, to_s);
    RETURN true;
END $$;
"""  # noqa: S608 - our own words

# A bit of `numbers` stands for a number from `first` on: whether a reading of it was dropped.
# `runs` is changed before `archived`, in the order in which keepers lock them.
_DROPPED_NUMBERS: Final = """
ALTER TABLE benchwatch.runs ADD COLUMN newest_utc_s float8;
CREATE TABLE benchwatch.dropped_numbers (
    first int8 NOT NULL, run_id int4 NOT NULL, day date NOT NULL, numbers varbit NOT NULL);
CREATE INDEX ON benchwatch.dropped_numbers (day, run_id, (first >> 16));
ALTER TABLE benchwatch.archived ADD COLUMN numbers_noted boolean NOT NULL DEFAULT false;
"""

STEPS: Final = (
    Step(
        (*filter(str.strip, _TABLES.split(";")), _MAKE_DAY,
         "REVOKE ALL ON FUNCTION benchwatch.make_day(date) FROM PUBLIC"),
        writable_from=1,
    ),
    # A keeper of version 1 would leave out what comes late for a dropped day.
    Step(tuple(filter(str.strip, _DROPPED_NUMBERS.split(";"))), writable_from=2),
)  # fmt: skip
"""Step n makes schema version n + 1 of version n. A step that only adds tables, or columns that may
be empty, leaves `writable_from` as it was: keepers of the version before go on."""

SCHEMA_VERSION: Final = len(STEPS)
"""The version of the schema that this program knows."""

_ADDED_TO: Final = "runs, readings, gaps, marks, records, notes, chains, entries, refused, archived"
_CHANGED_OF_A_RUN: Final = (
    "watch, counter, resource, driver, started_utc_s, nominal_hz, identity, time_base, gate_s, "
    "settings, ended_utc_s, end_reason, has_all_to, first_utc_s, last_utc_s, newest_utc_s, changed"
)

GRANTS: Final = {
    KEEPER_ROLE: (
        f"GRANT USAGE ON SCHEMA benchwatch TO {KEEPER_ROLE}",
        f"GRANT SELECT ON ALL TABLES IN SCHEMA benchwatch TO {KEEPER_ROLE}",
        *(f"GRANT INSERT ON benchwatch.{table} TO {KEEPER_ROLE}"
          for table in _ADDED_TO.split(", ")),
        f"GRANT UPDATE ({_CHANGED_OF_A_RUN}) ON benchwatch.runs TO {KEEPER_ROLE}",
        f"GRANT UPDATE (has_all_to) ON benchwatch.chains TO {KEEPER_ROLE}",
        f"GRANT EXECUTE ON FUNCTION benchwatch.make_day(date) TO {KEEPER_ROLE}",
    ),
    READER_ROLE: (
        f"GRANT USAGE ON SCHEMA benchwatch TO {READER_ROLE}",
        f"GRANT SELECT ON ALL TABLES IN SCHEMA benchwatch TO {READER_ROLE}",
    ),
}  # fmt: skip
"""What each role is given at every initialisation; it may be given twice."""
