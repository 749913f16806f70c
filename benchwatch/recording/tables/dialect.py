"""How the text of a table is written: what separates the cells, and what marks the decimals."""

import csv
import re
from collections.abc import Iterable
from typing import Final, Literal

import numpy as np

from benchwatch.errors import FileError
from benchwatch.quantity import printable

Separator = Literal[",", ";", "\t", " "]

SEPARATOR_WORDS: Final[dict[Separator, str]] = {
    "\t": "tabs",
    ";": "semicolons",
    ",": "commas",
    " ": "blanks",
}
"""Each separator's name; of several in a line, the first is the one."""
ODD: Final = b";"
"""A byte that `CellTable` takes in no plain line; stands for a sign that must not be there."""

_QUOTED: Final = re.compile(r'"[^"]*"')
_COMMA_NUMBER: Final = re.compile(r"[+-]?\d*,\d+([eE][+-]?\d{1,4})?", re.ASCII)
_POINT_NUMBER: Final = re.compile(r"[+-]?\d*\.\d+([eE][+-]?\d{1,4})?", re.ASCII)
_QUOTE: Final = ord('"')
_LINE_FEED: Final = ord("\n")


class Dialect:
    """How a table is written.

    With commas between the cells, decimals have a point. Otherwise the first number with
    decimals decides.

    Args:
        separator: sign between the cells; a blank stands for blanks and tabs in any number.
    """

    def __init__(self, separator: Separator) -> None:
        self.separator: Final = separator
        self.decimal: Literal[".", ","] | None = "." if separator == "," else None
        """Sign of the decimals; None: no number with decimals was seen yet."""

    def decide(self, cells: Iterable[str]) -> None:
        """Find the sign of the decimals by numbers, the cells of a row or more."""
        for cell in cells if self.decimal is None else ():
            if _COMMA_NUMBER.fullmatch(cell):
                self.decimal = ","
            elif _POINT_NUMBER.fullmatch(cell):
                self.decimal = "."
            if self.decimal is not None:
                return

    def split(self, text: str, where: str) -> list[str]:
        """Split a line into cells; inside quotation marks nothing separates, as in spreadsheets.

        Raises:
            FileError: a quotation mark is never closed; the message begins with `where`.
        """
        if '"' not in text:
            cells = text.split() if self.separator == " " else text.split(self.separator)
            return [cell.strip() for cell in cells]
        if self.separator == " ":
            text = re.sub(r"\s+", " ", text.strip())
        reader = csv.reader([text], delimiter=self.separator, strict=True, skipinitialspace=True)
        try:
            return [cell.strip() for cell in next(reader)]
        except csv.Error as error:
            raise FileError(f"{where}: a quotation mark is never closed. Mend the line.") from error

    def with_point(self, cell: str, where: str) -> str:
        """Return a number with a point for its decimals; other text as it is.

        Raises:
            FileError: its decimals are marked otherwise than before.
        """
        if self.separator == ",":
            return cell
        if self.decimal == "," and "." in cell:
            raise FileError(
                f"{where}: '{printable(cell, 40)}' has a point, and numbers before it have decimal "
                "commas. Write all numbers alike, without signs between thousands."
            )
        if self.decimal == "," and cell.count(",") == 1:
            return cell.replace(",", ".")
        if self.decimal == "." and _COMMA_NUMBER.fullmatch(cell):
            raise FileError(
                f"{where}: '{printable(cell, 40)}' has a decimal comma, and numbers before it have "
                "decimal points. Write all numbers alike, without signs between thousands."
            )
        return cell

    def plain(self, data: bytes) -> tuple[bytes, bytes]:
        """Return whole lines written with commas between the cells and points, line for line.

        What is not certain becomes a byte that is in no plain line, so that the line is read by
        itself (`split`).

        Args:
            data: whole lines.

        Returns:
            The lines for reading numbers, and, of equal length, for reading dates.
        """
        data = data.replace(b"\r\n", b"\n")
        if self.separator == " ":
            data = _collapsed(data)
        elif b" " in data:
            sign = self.separator.encode()
            data = data.replace(sign + b" ", sign).replace(b" " + sign, sign)
        if b'"' in data:
            data = _unquoted(data, self.separator)
        if self.separator == ",":
            return data, data
        sign = self.separator.encode()
        if self.decimal != ",":
            # A comma is no separator here, and in no number.
            written = data.translate(bytes.maketrans(sign + b",", b"," + ODD))
            return written, written
        dates = data.translate(bytes.maketrans(sign + b",", b",."))
        if b"." not in data:
            return dates, dates
        return data.translate(bytes.maketrans(sign + b",.", b",." + ODD)), dates


def with_any_point(cell: str) -> str:
    """Return a number with a point for its decimals, however they are marked; else the cell."""
    return cell.replace(",", ".") if _COMMA_NUMBER.fullmatch(cell) else cell


def find_separator(header: str, row: str | None) -> Separator:
    """Find what separates the cells by the first line, and the first row after it if any."""
    bare = _QUOTED.sub("q", header).strip()
    for sign in SEPARATOR_WORDS:
        if sign in bare and sign != " ":
            return sign
    if row is None:
        return " " if len(bare.split()) > 1 else ","
    row = _QUOTED.sub("q", row)
    return " " if len(row.split()) > 1 and ";" not in row and "\t" not in row.strip() else ","


def header_cells(dialect: Dialect, text: str, where: str, cells: int) -> list[str]:
    """Split a line of headings; between blanks, a heading may itself hold single blanks.

    Args:
        dialect: how the table is written.
        text: the line.
        where: file and line, for messages.
        cells: number of cells in a row.

    Raises:
        FileError: as `Dialect.split`.
    """
    if dialect.separator == " " and '"' not in text:
        apart = [cell.strip() for cell in re.split(r"\s{2,}|\t", text.strip())]
        if len(apart) == cells:
            return apart
    return dialect.split(text, where)


def _collapsed(data: bytes) -> bytes:
    """Return lines with one blank between the cells, and none at either end of a line."""
    data = data.replace(b"\t", b" ").replace(b" " * 8, b" ").replace(b" " * 4, b" ")
    while b"  " in data:
        data = data.replace(b"  ", b" ")
    return data.replace(b" \n", b"\n").replace(b"\n ", b"\n").removeprefix(b" ")


def _unquoted(data: bytes, separator: Separator) -> bytes:
    """Return lines without quotation marks if each encloses one whole cell; else as they are."""
    buffer = np.frombuffer(data, dtype=np.uint8)
    is_sign = (buffer == ord(separator)) | (buffer == _LINE_FEED)
    is_mark = buffer == _QUOTE
    marks = np.flatnonzero(is_mark)
    if marks.size % 2:
        return data
    edge = np.concatenate(([True], is_sign, [True]))
    whole = edge[marks[::2]].all() and edge[marks[1::2] + 2].all()
    # An even number of marks stands before a sign that is outside all of them.
    met = is_mark[np.flatnonzero(is_mark | is_sign)]
    inside = (np.cumsum(met, dtype=np.int64)[~met] % 2).any()
    return data.replace(b'"', b"") if whole and not inside else data
