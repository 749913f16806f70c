"""Writes the JSON schemas in this folder from the declarations of the files that the program reads.

Run it after adding or changing a key: ``python docs/schemas/write_schemas.py``.
"""

import json
from pathlib import Path

from benchwatch.bench.bench_file_keys import BENCH_FILE
from benchwatch.config_tables.json_schema import json_schema
from benchwatch.report.laboratory.laboratory_keys import LABORATORY_FILE
from benchwatch_drivers.profile.profile_keys import PROFILE
from benchwatch_simulators.bench.simulated_bench_keys import declare_simulated_bench

FILES = {
    "bench": (BENCH_FILE, "Bench file"),
    "laboratory": (LABORATORY_FILE, "Laboratory file"),
    "profile": (PROFILE, "Profile of a counter"),
    "simulated-bench": (declare_simulated_bench(), "Simulated bench"),
}


def schema_texts() -> dict[str, str]:
    """Return the text of each schema, by the name of its file."""
    return {
        f"{name}.schema.json": json.dumps(json_schema(table, title), indent=2) + "\n"
        for name, (table, title) in FILES.items()
    }


if __name__ == "__main__":
    for file, text in schema_texts().items():
        (Path(__file__).parent / file).write_text(text, encoding="utf-8")
