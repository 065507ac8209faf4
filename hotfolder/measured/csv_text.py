"""Tables of separated values, with the names of their columns in a line of their own."""

from __future__ import annotations

import csv
from typing import Final

from hotfolder.measured.fields import has_colours
from hotfolder.measured.table import MAX_ROWS, NotUsable, Row, Table, make_table

_SEPARATORS: Final = (";", "\t", ",")
_LINES_BEFORE: Final = 200
"""In so many lines from the beginning the names must stand."""


def read_csv(text: str) -> Table:
    """Read the table of a file; lines before the names of columns are notes, as in ``key;value``.

    Raises
    ------
    NotUsable
        When no line has names of colours, or a row has another number of values.
    """
    lines = text.split("\n")
    for at, line in enumerate(lines[:_LINES_BEFORE]):
        for separator in _SEPARATORS:
            names = _split(line, separator, at + 1) if separator in line else []
            if has_colours(names):
                return _read(lines, at, separator)
    raise NotUsable(
        "no line names columns of colours: neither L*, a*, b*, nor X, Y, Z, nor wavelengths; a "
        "measurement is CGATS text, CxF, or a table with such a line"
    )


def _read(lines: list[str], at: int, separator: str) -> Table:
    names = [each.strip() for each in _split(lines[at], separator, at + 1)]
    empty = 0  # a separator at the end of every line makes a column without a name
    while names and not names[-1]:
        names.pop()
        empty += 1
    rows = []
    for number, line in enumerate(lines[at + 1 :], at + 2):
        values = [each.strip() for each in _split(line, separator, number)]
        if not any(values):
            continue
        if empty and len(values) == len(names) + empty and not any(values[-empty:]):
            values = values[:-empty]
        rows.append(Row(tuple(values), f"line {number}"))
        if len(rows) > MAX_ROWS:
            raise NotUsable(f"line {number}: there are more than {MAX_ROWS} rows")
    head = {}
    for line in lines[:at]:
        key, _, value = line.replace(":", separator, 1).partition(separator)
        if key.strip():
            head[key.strip().strip('"').upper()] = value.strip().strip('"')
    return make_table(names, rows, f"line {at + 1}", head)


def _split(line: str, separator: str, number: int) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=separator, strict=True), [])
    except csv.Error as error:
        raise NotUsable(f"line {number}: {error}") from error
