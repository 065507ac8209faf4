"""CSV as RFC 4180 has it, with cells that a spreadsheet cannot take for a formula.

A file's name is a stranger's words, and a spreadsheet runs a cell that begins with ``=``. Such a
cell gets a leading apostrophe (OWASP ASVS 5.0, requirement 1.2.10, whose list is = + - @, tab and
NUL; carriage return and line feed are common practice, no source). Every text is quoted, so that a
spreadsheet which splits at semicolons does not find one inside a name.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

Cell = str | int | float | None

_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\0")


def safe_cell(value: Cell) -> str | int | float:
    """Return what is to be written for a value: numbers as they are, None as an empty cell."""
    if value is None:
        return ""
    if isinstance(value, str) and value.startswith(_STARTS_A_FORMULA):
        return f"'{value}"
    return value


def to_csv(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """Write a table: commas, CRLF, every text quoted, a full stop in decimal numbers."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\r\n")
    writer.writerow([safe_cell(name) for name in header])
    # the same as `safe_cell`, without a call for each of a million cells
    writer.writerows(
        [f"'{v}" if isinstance(v, str) and v.startswith(_STARTS_A_FORMULA) else v for v in row]
        for row in rows
    )
    return text.getvalue()
