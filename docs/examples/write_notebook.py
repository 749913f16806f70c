"""Writes the notebook of each example beside it: ``python docs/examples/write_notebook.py``.

A notebook (format 4.5) is JSON. Its first cell is the docstring of the script; a line ``# %%``
begins each further cell, and what follows on that line is its heading.
"""

import ast
import json
import re
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent
EXAMPLES = tuple(sorted(path for path in FOLDER.glob("*.py") if path.name != Path(__file__).name))


def notebook_of(script: str) -> dict[str, Any]:
    """Return the notebook of a script as the values of its JSON."""
    about = ast.get_docstring(ast.parse(script)) or ""
    cells = [_cell("markdown", 0, "# " + about.replace("``", "`"))]
    _, *parts = re.split(r"^# %% ", script, flags=re.MULTILINE)
    for part in parts:
        heading, _, code = part.partition("\n")
        cells.append(_cell("markdown", len(cells), f"## {heading}"))
        cells.append(_cell("code", len(cells), code.strip("\n")))
    return {
        "cells": cells,
        "metadata": {"language_info": {"name": "python"}},
        "nbformat": 4,
        "nbformat_minor": 5,
    }


def notebook_text(script: str) -> str:
    """Return the text of the notebook of a script."""
    return json.dumps(notebook_of(script), indent=1, ensure_ascii=False) + "\n"


def _cell(kind: str, number: int, source: str) -> dict[str, Any]:
    cell: dict[str, Any] = {"cell_type": kind, "id": f"cell-{number}", "metadata": {}}
    if kind == "code":
        cell |= {"execution_count": None, "outputs": []}
    return cell | {"source": source.splitlines(keepends=True)}


if __name__ == "__main__":
    for example in EXAMPLES:
        text = notebook_text(example.read_text(encoding="utf-8"))
        example.with_suffix(".ipynb").write_text(text, encoding="utf-8")
