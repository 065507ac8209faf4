"""Reading a table as spreadsheets save it, whatever separates its cells and encodes its letters.

A spreadsheet's text file does not say what it is: the separator follows from the country that
the machine is set to, and the encoding from the menu entry that was chosen. Both are told here
from the bytes. Row numbers are those that the spreadsheet shows: a header stands in row 1.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass, field

MAX_BYTES = 8 * 2**20
MAX_ROWS = 20_000

_SEPARATORS = ";\t,"
_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


class TableError(ValueError):
    """A file that is no table at all; the message is a plain sentence."""


@dataclass(frozen=True)
class Row:
    """One row that is not empty."""

    number: int
    """As a spreadsheet counts, from 1."""
    cells: tuple[str, ...]
    faults: Mapping[int, str] = field(default_factory=dict)
    """What a cell should be instead, by its place from 0, where its content cannot be used."""


def read_table(data: bytes) -> list[Row]:
    """Read all rows that are not empty, each cell without blanks around it.

    Raises
    ------
    TableError
        When the file is too large, is not text, or its quotation marks do not close.
    """
    if len(data) > MAX_BYTES:
        raise TableError(f"It has {len(data):,} bytes; a ticket has at most {MAX_BYTES:,}.")
    text = _decode(data)
    if "\0" in text:
        raise TableError("It is not text. Save it as CSV.")
    separator, first, text = _find_separator(text)
    rows = []
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
        for number, cells in enumerate(reader, first):
            stripped = tuple(cell.strip() for cell in cells)
            if any(stripped):
                rows.append(Row(number, stripped))
            if len(rows) > MAX_ROWS:
                raise TableError(f"It has more than {MAX_ROWS:,} rows.")
    except csv.Error as error:
        raise TableError(f"The table is broken after row {len(rows)}: {error}.") from error
    return rows


def _decode(data: bytes) -> str:
    """UTF-8 or UTF-16 with a mark, UTF-8 without, or else Windows-1252, which reads any byte.

    Text of another single-byte encoding is rarely valid UTF-8 by chance. Five bytes that
    Windows-1252 does not define stand for controls, as the WHATWG Encoding Standard has it.
    """
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            try:
                return data.decode(encoding)
            except UnicodeDecodeError as error:
                raise TableError("Its text is damaged. Save it again as CSV in UTF-8.") from error
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return "".join(
            bytes([byte]).decode("cp1252") if byte not in _UNDEFINED else chr(byte) for byte in data
        )


_UNDEFINED = frozenset({0x81, 0x8D, 0x8F, 0x90, 0x9D})


def _find_separator(text: str) -> tuple[str, int, str]:
    """The separator, the number of the first row, and the text without a line that names it.

    Some spreadsheets write ``sep=;`` into a first line of its own.
    """
    head, _, rest = text.partition("\n")
    named = head.strip().strip('"')
    if named.casefold().startswith("sep=") and len(named) == len("sep=;"):
        return named[-1], 2, rest
    counts = {each: _count_outside_quotes(text, each) for each in _SEPARATORS}
    return max(_SEPARATORS, key=lambda each: counts[each]), 1, text


def _count_outside_quotes(text: str, separator: str) -> int:
    """How often a separator stands in the first line that is not empty, not counting quotes."""
    line = next((each for each in text.splitlines() if each.strip(" ;,\t")), "")
    return "".join(line.split('"')[::2]).count(separator)
