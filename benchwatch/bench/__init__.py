"""The bench file: which counters stand on the bench, and by which reference they count.

keys    every key there is: how its value is read, an example, and what it is for
file    the text of a bench file -> `Bench`, or a sentence that names file, key and way out
draft   what was found -> the text of a bench file, each key explained
"""

from benchwatch.bench.bench_file import Bench, load_bench, read_bench
from benchwatch.bench.bench_file_draft import DraftCounter, draft
from benchwatch.bench.bench_file_keys import BACKENDS

__all__ = ["BACKENDS", "Bench", "DraftCounter", "draft", "load_bench", "read_bench"]
