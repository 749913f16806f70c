"""The bench file: which counters stand on the bench, and by which reference they count.

In: the text of a bench file, or the counters that were found. Out: a `Bench` with a plan for each
counter or a sentence that names file, key and value (`bench_file`); a draft with each key
explained (`bench_file_draft`). `bench_file_keys` declares the tables and keys for both.
"""

from benchwatch.bench.bench_file import Bench, load_bench, read_bench
from benchwatch.bench.bench_file_keys import BACKENDS

__all__ = ["BACKENDS", "Bench", "load_bench", "read_bench"]
