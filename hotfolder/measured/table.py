"""What all readers of measurement files make: a table whose rows know where they stand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from hotfolder.errors import HotfolderError

MAX_BYTES: Final = 4 * 2**20
"""Of a file: some hundred times what a control strip with spectra needs; our own bound."""
MAX_ROWS: Final = 20_000
MAX_FIELDS: Final = 1_000


class NotUsable(HotfolderError):
    """A file that is no measurement of a strip; the message says where, why and what to do."""

    exit_code = 3


@dataclass(frozen=True)
class Row:
    """One row of a table."""

    values: tuple[str, ...]
    """As they stand in the file, one for each field."""
    where: str
    """For people: ``"line 12"``."""


@dataclass(frozen=True)
class Table:
    """A table as a file has it; every row has a value for every field."""

    fields: tuple[str, ...]
    """Names of columns, as they stand in the file."""
    rows: tuple[Row, ...]
    where: str
    """Of the line with the fields."""
    head: Mapping[str, str] = field(default_factory=dict)
    """What the file says beside the table, by key in upper case."""


def make_table(
    fields: Iterable[str], rows: Iterable[Row], where: str, head: Mapping[str, str]
) -> Table:
    """Make a table, and make sure that it has as many values in each row as fields.

    Raises
    ------
    NotUsable
        Says which row is short or long, which field is there twice, or that there is too much.
    """
    names, lines = tuple(fields), tuple(rows)
    if len(names) > MAX_FIELDS or len(lines) > MAX_ROWS:
        raise NotUsable(f"{where}: there are more fields or rows than any control strip has")
    twice = next((each for at, each in enumerate(names) if each in names[:at]), None)
    if twice is not None:
        raise NotUsable(f"{where}: the field {twice} is there twice")
    for row in lines:
        if len(row.values) != len(names):
            raise NotUsable(
                f"{row.where}: {_count(len(row.values), 'value')}, but the table has "
                f"{_count(len(names), 'field')}; so it is not known which value is which"
            )
    if not lines:
        raise NotUsable(f"{where}: the table has no rows")
    return Table(names, lines, where, dict(head))


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
