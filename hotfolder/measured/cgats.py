"""CGATS.17 and ISO 28178 text, read strictly.

Other readers take values one after the other, so that one missing value moves all later ones into
the wrong columns. Here a row is a line and has a value for every field, the table has its end, and
what the file announces (``NUMBER_OF_SETS``, ``NUMBER_OF_FIELDS``) is what it has.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Final, Literal

from hotfolder.measured.table import MAX_FIELDS, MAX_ROWS, NotUsable, Row, Table, make_table

_TOKEN: Final = re.compile(r"""[ \t]*(?:"([^"]*)"(?!\S)|'([^']*)'(?!\S)|\#(.*)|([^\s"'\#]\S*))""")
_BEGINS: Final = re.compile(r"^[ \t]*BEGIN_DATA(_FORMAT)?\b", re.MULTILINE)
_Mode = Literal["head", "format", "data"]


def is_cgats(text: str) -> bool:
    """Whether a text holds a table of this kind, or the beginning of one."""
    return _BEGINS.search(text) is not None


def read_cgats(text: str) -> list[Table]:
    """Read every table of a file.

    Parameters
    ----------
    text
        The whole file, with the line ends of Unix.

    Returns
    -------
    At least one table. What stands before a table holds for those after it too.

    Raises
    ------
    NotUsable
        Says in which line what is wrong.
    """
    reading = _Reading()
    number = 0
    for number, line in enumerate(text.split("\n"), 1):
        reading.take(_tokens(line, number), number)
    return reading.end(number)


@dataclass(frozen=True)
class _Word:
    text: str
    quoted: bool

    def is_keyword(self, *names: str) -> bool:
        return not self.quoted and self.text.upper() in names


def _tokens(line: str, number: int) -> list[_Word]:
    found, at = [], 0
    stripped = line.rstrip()
    while at < len(stripped):
        match = _TOKEN.match(stripped, at)
        if match is None:
            raise NotUsable(f"line {number}: a quotation mark has no other one")
        double, single, comment, word = match.groups()
        if comment is not None:
            break
        quoted = double if double is not None else single
        found.append(_Word(word if quoted is None else quoted, quoted is not None))
        at = match.end()
    return found


@dataclass
class _Reading:
    mode: _Mode = "head"
    head: dict[str, str] = field(default_factory=dict)
    fields: list[str] = field(default_factory=list)
    fields_at: int = 0
    began: int = 0
    rows: list[Row] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)

    def take(self, words: list[_Word], line: int) -> None:
        """Take the words of one line."""
        while words:
            if self.mode == "head":
                words = self._head(words, line)
            elif self.mode == "format":
                words = self._format(words, line)
            else:
                words = self._data(words, line)

    def end(self, line: int) -> list[Table]:
        """Return the tables; the text is over."""
        if self.mode != "head":
            what = "END_DATA_FORMAT" if self.mode == "format" else "END_DATA"
            raise NotUsable(
                f"line {line}: the file ends inside the table that begins in line {self.began}: "
                f"{what} is missing, and perhaps rows"
            )
        if not self.tables:
            raise NotUsable("the file has fields, but no data (BEGIN_DATA)")
        return self.tables

    def _head(self, words: list[_Word], line: int) -> list[_Word]:
        first = words[0]
        if first.is_keyword("BEGIN_DATA_FORMAT"):
            self.mode, self.fields, self.fields_at, self.began = "format", [], line, line
            return words[1:]
        if first.is_keyword("BEGIN_DATA"):
            if not self.fields:
                raise NotUsable(f"line {line}: data without the names of their fields")
            self.mode, self.rows, self.began = "data", [], line
            return words[1:]
        if first.is_keyword("END_DATA", "END_DATA_FORMAT"):
            raise NotUsable(f"line {line}: {first.text} without a beginning")
        if first.is_keyword("KEYWORD") and len(words) > 1:
            return []
        self.head[first.text.upper()] = " ".join(each.text for each in words[1:])
        return []

    def _format(self, words: list[_Word], line: int) -> list[_Word]:
        for place, word in enumerate(words):
            if word.is_keyword("END_DATA_FORMAT"):
                self.mode = "head"
                self._check_announced("NUMBER_OF_FIELDS", len(self.fields), line)
                return words[place + 1 :]
            if word.is_keyword("BEGIN_DATA", "BEGIN_DATA_FORMAT", "END_DATA"):
                raise NotUsable(f"line {line}: {word.text} before END_DATA_FORMAT")
            self.fields.append(word.text)
            if len(self.fields) > MAX_FIELDS:
                raise NotUsable(f"line {line}: there are more than {MAX_FIELDS} fields")
        return []

    def _data(self, words: list[_Word], line: int) -> list[_Word]:
        ends = next((at for at, word in enumerate(words) if word.is_keyword("END_DATA")), None)
        for word in words[:ends]:
            if word.is_keyword("BEGIN_DATA", "BEGIN_DATA_FORMAT", "END_DATA_FORMAT"):
                raise NotUsable(f"line {line}: {word.text} before END_DATA")
        if words[:ends]:
            self.rows.append(Row(tuple(each.text for each in words[:ends]), f"line {line}"))
            if len(self.rows) > MAX_ROWS:
                raise NotUsable(f"line {line}: there are more than {MAX_ROWS} rows")
        if ends is None:
            return []
        self.mode = "head"
        made = make_table(self.fields, self.rows, f"line {self.fields_at}", self.head)
        self._check_announced("NUMBER_OF_SETS", len(self.rows), line)
        self.tables.append(made)
        return words[ends + 1 :]

    def _check_announced(self, key: str, found: int, line: int) -> None:
        """Compare what the file says of itself; each number is for one table."""
        said = self.head.pop(key, "").strip()
        if not said:
            return
        if not (said.isascii() and said.isdigit()) or int(said[:9]) != found:
            raise NotUsable(
                f"line {line}: {key} says {said!r}, but {found} are there; the file was cut or "
                "changed"
            )
