"""Reading a ticket from a spreadsheet's own file: .xlsx, .xlsm, .xls and .ods.

The file is a stranger's, and a few kilobytes of it can stand for thousands of millions of cells:
it is read in a process of its own, with little memory and time, and what that process prints is
all that is believed. Row numbers are those that the spreadsheet shows.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import re
import subprocess
import sys
import zipfile
import zlib
from typing import Any, Final

from hotfolder.batch.table import MAX_BYTES, MAX_ROWS, Row, TableError
from hotfolder.disk import processes

SUFFIXES: Final = (".xlsx", ".xlsm", ".xls", ".ods")

_TIME_S: Final = 30
_MEMORY_BYTES: Final = 2**30
_MOST_UNPACKED: Final = 256 * 2**20
_MOST_COLUMNS: Final = 200
_MOST_ANSWERED: Final = 64 * 2**20
_SAVE_AS_CSV: Final = "Save it once more, or as CSV, and drop that."
_DAMAGED: Final = f"The workbook is damaged. {_SAVE_AS_CSV}"
_CELL: Final = re.compile(
    rb'<c(?P<of>(?=[^>]*\br="(?P<column>[A-Z]{1,3})(?P<row>\d{1,7})")[^>]*[^/])>(?P<body>.*?)</c>',
    re.DOTALL,
)


def read_workbook(data: bytes) -> tuple[list[Row], list[str]]:
    """Read the first sheet that has rows.

    Returns
    -------
    Its rows that are not empty, and remarks as plain sentences.

    Raises
    ------
    TableError
        When it is too large, damaged, locked with a password, or no workbook.
    """
    if len(data) > MAX_BYTES:
        raise TableError(f"It has {len(data):,} bytes; a ticket has at most {MAX_BYTES:,}.")
    _check_unpacked(data)
    command = [sys.executable, "-m", "hotfolder.batch.workbook"]
    try:
        done = subprocess.run(
            command, input=data, capture_output=True, timeout=_TIME_S, check=False
        )
    except subprocess.TimeoutExpired:
        raise TableError(f"It takes too long to read as a workbook. {_SAVE_AS_CSV}") from None
    try:
        said = json.loads(done.stdout[:_MOST_ANSWERED])
        problem = str(said["problem"])
        rows = [_read_row(*values) for values in said["rows"]]
        remarks = [str(each) for each in said["remarks"]]
    except (ValueError, KeyError, TypeError, AttributeError):
        raise TableError(
            f"It cannot be read as a workbook: it is damaged, or far too large. {_SAVE_AS_CSV}"
        ) from None
    if problem:
        raise TableError(problem)
    return rows, remarks


def _read_row(number: int, cells: list[str], faults: dict[str, str]) -> Row:
    return Row(
        int(number), tuple(map(str, cells)), {int(at): str(why) for at, why in faults.items()}
    )


def _check_unpacked(data: bytes) -> None:
    """Refuse what is damaged, or packed so that it would fill the memory."""
    if not data.startswith(b"PK"):
        return
    problem = ""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            if sum(each.file_size for each in packed.infolist()) > _MOST_UNPACKED:
                problem = f"It is packed and far too large for a ticket. {_SAVE_AS_CSV}"
            elif any(each.flag_bits & 1 for each in packed.infolist()):
                problem = "It is locked with a password. Save it without one."
            elif packed.testzip() is not None:
                problem = _DAMAGED
    except (zipfile.BadZipFile, EOFError, OSError, NotImplementedError, ValueError, zlib.error):
        problem = _DAMAGED
    if problem:
        raise TableError(problem)


def _answer(data: bytes) -> dict[str, Any]:
    """Read a workbook; in the process of its own."""
    from python_calamine import CalamineError, CalamineWorkbook, PasswordError

    nothing: dict[str, Any] = {"problem": "", "rows": [], "remarks": []}
    try:
        book = CalamineWorkbook.from_object(io.BytesIO(data))
        filled = []
        for index, name in enumerate(book.sheet_names):
            sheet = book.get_sheet_by_index(index)
            if sheet.end is not None:
                filled.append((index, name, sheet))
    except PasswordError:
        return {**nothing, "problem": "It is locked with a password. Save it without one."}
    except (CalamineError, OSError, ValueError) as error:
        said = f"It cannot be read as a workbook ({error}). {_SAVE_AS_CSV}"
        return {**nothing, "problem": said}
    if not filled:
        return nothing
    index, name, sheet = filled[0]
    height, width = (last + 1 for last in sheet.end or (0, 0))
    if height > MAX_ROWS or width > _MOST_COLUMNS:
        said = (
            f"Its sheet “{name}” has {height:,} rows and {width:,} "
            f"columns; a ticket has at most {MAX_ROWS:,} and {_MOST_COLUMNS}."
        )
        return {**nothing, "problem": said}
    faults = _find_merged(sheet)
    for place, why in _find_formulas(data, index).items():
        faults.setdefault(place, why)
    rows = []
    for row, values in enumerate(sheet.to_python(skip_empty_area=False)):
        here = {column: why for (at, column), why in faults.items() if at == row}
        cells = []
        for column, value in enumerate(values):
            text, why = _say(value)
            cells.append(text)
            if why:
                here[column] = why
        if any(cells):
            rows.append((row + 1, cells, here))
    remarks = []
    if len(filled) > 1:
        others = ", ".join(f"“{other}”" for _, other, _ in filled[1:6])
        remarks.append(f"The workbook has several sheets; “{name}” was read, not {others}.")
    return {"problem": "", "rows": rows, "remarks": remarks}


def _say(value: object) -> tuple[str, str]:
    """Return a cell as text, and why it cannot be used; "" when it can."""
    if isinstance(value, bool):
        return ("yes" if value else "no"), ""
    if isinstance(value, int | float):
        return f"{value:.12g}", ""
    if isinstance(value, dt.datetime | dt.date | dt.time | dt.timedelta):
        return str(value), (
            "the text that was typed: the spreadsheet has made a date or time of it. Set the "
            "column's format to text, and type it once more"
        )
    return str(value).strip(), ""


def _find_merged(sheet: Any) -> dict[tuple[int, int], str]:
    """Cells that are merged with one above or left of them, which has what they show."""
    found = {}
    for (top, left), (bottom, right) in sheet.merged_cell_ranges or []:
        if (bottom - top + 1) * (right - left + 1) > MAX_ROWS:
            continue
        first = f"{_name_column(left)}{top + 1}"
        why = f"a value of its own: the cell is merged with {first}. Unmerge them, and fill each"
        for row in range(top, bottom + 1):
            for column in range(left, right + 1):
                if (row, column) != (top, left):
                    found[row, column] = why
    return found


def _find_formulas(data: bytes, index: int) -> dict[tuple[int, int], str]:
    """Cells of an .xlsx that could not be calculated, or whose results are not in the file."""
    if not data.startswith(b"PK"):
        return {}
    why = (
        "a value: the cell is a formula, and its result is not in the file. Open it in a "
        "spreadsheet program and save it there"
    )
    found = {}
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            text = packed.read(f"xl/worksheets/sheet{index + 1}.xml")
    except (KeyError, zipfile.BadZipFile):
        return {}
    for cell in _CELL.finditer(text):
        place = int(cell["row"]) - 1, _number_column(cell["column"].decode())
        if re.search(rb'\bt="e"', cell["of"]):
            found[place] = "a value: the spreadsheet could not calculate it"
        elif b"<f" in cell["body"] and not re.search(rb"<v>[^<]", cell["body"]):
            found[place] = why
    return found


def _name_column(number: int) -> str:
    name = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        name = chr(ord("A") + rest) + name
    return name


def _number_column(name: str) -> int:
    number = 0
    for letter in name:
        number = number * 26 + ord(letter) - ord("A") + 1
    return number - 1


def main() -> None:
    """Read a workbook from standard input, and print its rows as JSON."""
    processes.limit_process(memory_bytes=_MEMORY_BYTES, cpu_s=_TIME_S, open_files=64)
    sys.stdout.write(json.dumps(_answer(sys.stdin.buffer.read())))


if __name__ == "__main__":
    main()
