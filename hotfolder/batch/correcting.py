"""Correcting a ticket row by row: the same table with a few cells changed, as text.

Every other row says what it said, under the number that it had: names of results may have it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import Final

from hotfolder.batch.table import Row, TableError, read_table
from hotfolder.batch.ticket import TicketError, is_ticket, read_ticket
from hotfolder.batch.titles import COLUMNS, TITLES, simplify
from hotfolder.batch.workbook import SUFFIXES, read_workbook

CORRECTABLE: Final = ("file", "page", "placement", "width", "height", "copies", "caption", "intent",
                      "anchor")  # fmt: skip
"""Columns of which a cell can be changed."""

_SIZES = ("width", "height")
_UNITS = ("mm", "cm", "m", "inches", "inch", "in", "ft")


class CorrectionError(ValueError):
    """A correction that cannot be made; ``says`` are plain sentences."""

    def __init__(self, *says: str) -> None:
        self.says = says
        super().__init__(" ".join(says))


def correct_ticket(data: bytes, name: str, row: int, cells: Mapping[str, str]) -> bytes:
    """Return a ticket with some cells of a row changed, as CSV.

    Parameters
    ----------
    data
        The ticket as it stands.
    name
        Its name, which tells a workbook from a text.
    row
        Number of the row.
    cells
        What stands in them from now on, by column; "" empties one.

    Raises
    ------
    CorrectionError
        When there is no such row, or it would be wrong: nothing that can be read gets lost.
    """
    rows = _read_rows(data, name)
    header, body = rows[0], rows[1:]
    at = _find_columns(header)
    if all(each.number != row for each in body):
        raise CorrectionError(f"The ticket has no row {row} any more.")
    titles = list(header.cells)
    for column, text in cells.items():
        if column not in at and text:
            if column in _SIZES and not any(size in at for size in _SIZES):
                raise CorrectionError(
                    "The ticket has no column for sizes, and with one every other row would need "
                    "a size as well. Correct the table itself, and drop it again."
                )
            at[column] = len(titles)
            titles.append(column)
    lines = {header.number: titles}
    for each in body:
        line = [*each.cells, *([""] * (len(titles) - len(each.cells)))]
        if each.number == row:
            for column, text in cells.items():
                if column in at:
                    line[at[column]] = text
        lines[each.number] = line
    made = _write(lines)
    _check(made, lines, row)
    return made


def describe_row(data: bytes, name: str, row: int) -> dict[str, str]:
    """Return the cells of a row as they are written, by column; empty when there is none.

    Raises
    ------
    CorrectionError
        When the ticket cannot be corrected here.
    """
    rows = _read_rows(data, name)
    at = _find_columns(rows[0])
    found = next((each for each in rows[1:] if each.number == row), None)
    if found is None:
        return {}
    return {
        column: found.cells[place] if place < len(found.cells) else ""
        for column, place in at.items()
    }


def _read_rows(data: bytes, name: str) -> list[Row]:
    try:
        is_book = name.casefold().endswith(SUFFIXES)
        rows = read_workbook(data)[0] if is_book else read_table(data)
    except TableError as error:
        raise CorrectionError(f"The ticket cannot be read: {error}") from error
    if not rows or not is_ticket(name):
        raise CorrectionError("The ticket is empty.")
    if broken := [each.number for each in rows if each.faults]:
        raise CorrectionError(
            f"Row {broken[0]} of the workbook has a cell that cannot be read, and would be lost "
            "here. Correct it in the workbook, and drop that again."
        )
    return rows


def _find_columns(header: Row) -> dict[str, int]:
    found: dict[str, int] = {}
    for place, title in enumerate(header.cells):
        column = _read_title(title)
        if column:
            found.setdefault(column, place)
    return found


def _read_title(title: str) -> str:
    name = simplify(title)
    if name in COLUMNS:
        return COLUMNS[name]
    for size in _SIZES:
        for word in TITLES[size]:
            if name.startswith(word) and name.removeprefix(word) in _UNITS:
                return size
    return ""


def _write(lines: Mapping[int, list[str]]) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    for number in range(1, max(lines) + 1):
        writer.writerow(lines.get(number, []))
    return text.getvalue().encode("utf-8-sig")


def _check(made: bytes, lines: Mapping[int, list[str]], row: int) -> None:
    """See that what was written is read as it was meant, and that the row is right now."""
    try:
        read = {each.number: list(each.cells) for each in read_table(made)}
        ticket = read_ticket(made, "ticket.csv")
    except (TableError, TicketError) as error:
        raise CorrectionError(f"The corrected ticket would not be one: {error}") from error
    if read != {number: [cell.strip() for cell in line] for number, line in lines.items()}:
        raise CorrectionError(
            "The table cannot be written so that it says the same. Correct it where you made it, "
            "and drop it again."
        )
    wrong = [each for each in ticket.problems if each.row == row]
    if wrong:
        raise CorrectionError(*(say_fault(e.column, e.got, e.allowed) for e in wrong))


def say_fault(column: str, got: str, allowed: str) -> str:
    """Say as a sentence what is wrong in a row."""
    where = f"The column {column}" if column else "The row"
    what = "is empty" if got in {"", "is empty"} else f"says {got}"
    return f"{where} {what}. It takes {allowed}." if allowed else f"{where} {what}."


def say_line_problem(text: str) -> str:
    """Say as a sentence why a row that can be read cannot be done."""
    said, found, allowed = text.partition("; allowed: ")
    said = f"{said[:1].upper()}{said[1:]}".rstrip(".")
    return f"{said}. It takes {allowed}." if found else f"{said}."
