"""Disks on which a file can't be written: full, or the folder of somebody else."""

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

NOBODY = 65534  # uid of the account that owns nothing; Linux Standard Base 5.0, core, 23.2


@contextmanager
def tiny_disk(folder: Path, size: str = "160k") -> Iterator[Path]:
    """Mount a memory disk at `folder`, which is made; skip the test where that is not possible."""
    folder.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
    done = subprocess.run(words, capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"no memory disk can be mounted here: {done.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)
