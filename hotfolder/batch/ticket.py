"""The job ticket: a table with a row for each place of a picture on a page.

Read from bytes alone: nothing here knows which pictures there are. Every row stands for itself;
what is wrong in one is said with its row, its column, what was found and what is allowed, and the
others go on.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from hotfolder.batch.table import Row, TableError, read_table
from hotfolder.batch.titles import COLUMNS, TITLES, simplify
from hotfolder.batch.workbook import SUFFIXES, read_workbook
from hotfolder.disk.names import collision_key, display_name
from hotfolder.model.intent import Intent
from hotfolder.model.rendering import WAYS, Rendering, Way
from hotfolder.model.units import LENGTH_MM, MM_PER_INCH
from hotfolder.model.wishes import WhiteWish
from hotfolder.settings.mistakes import find_like

_Value = TypeVar("_Value")

MAX_SIDE_MM = 10_000.0
"""Larger than any page or canvas; a longer side is a slip of the pen."""

MAX_COPIES = 9999
_MAX_PAGE = 40
_MAX_CAPTION = 2000
_SHOWN = 12
_LONG_ENOUGH = 6
_ALIKE = 0.8
"""So alike are a known title and one with a slip of the pen; other words are less so."""

_UNITS = {**LENGTH_MM, **dict.fromkeys(("inch", "inches", '"', "”", "′′"), MM_PER_INCH)}
_SIZE_COLUMN = re.compile(
    f"({'|'.join(sorted({*TITLES['width'], *TITLES['height']}, key=len, reverse=True))})"
    "(mm|cm|m|inches|inch|in|ft)"
)
_NUMBER = re.compile(r"(\d+(?:[.,]\d+)?)\s*(.*)")
_FRACTION = re.compile(r"(?:(\d+)[ -] *)?(\d{1,2})[/⁄](\d{1,2})(?!\d)\s*(.*)")
"""A length as inches are written, 8 1/2; the slash of ½ and its like is another one."""
INTENTS = (*(str(each) for each in Intent), "least loss")
_TOTAL = re.compile(
    r"(grand |sub)?(totals?|totale?|totaux|totaal|sum|summe|gesamt(summe)?|insgesamt|zusammen|suma"
    r"|somme|somma|summa|i alt|yhteensä|razem)\b(?!\.\w)",
    re.IGNORECASE,
)
"""What a spreadsheet calls the row below all others, in a few languages; no name of a file."""
_PLAIN_NUMBER = re.compile(r"\d+([.,]\d+)?")
ANCHORS = ("centre", "top", "bottom", "left", "right", "top left", "top right", "bottom left",
            "bottom right")  # fmt: skip
_SIDE = f"a length above 0 and up to {MAX_SIDE_MM / 1000:g} m"
_LENGTH = 'a number and its unit, as in "210 mm", "21,5 cm", "8.5 in" or "8 1/2 in"'


@dataclass(frozen=True)
class RowProblem:
    """What is wrong in a row."""

    row: int
    column: str
    """Its name; "" for the whole row."""
    got: str
    allowed: str
    file: str = ""
    """As the row has it."""
    page: str = ""
    """As the row has it."""
    placement: str = ""
    """As the row has it."""

    def __str__(self) -> str:
        where = f"row {self.row}, {self.column}" if self.column else f"row {self.row}"
        found = f": {self.got}" if self.got else ""
        return f"{where}{found}; allowed: {self.allowed}" if self.allowed else f"{where}{found}"


@dataclass(frozen=True)
class Placement:
    """A picture's place on a page, as a row says it."""

    row: int
    """Its number."""
    file: str
    """As written, with ``/``."""
    page: str
    name: str
    """Which of the page's places: as the column says, or the row's number among the page's."""
    width_mm: float | None = None
    """None where the row says nothing."""
    height_mm: float | None = None
    """None where the row says nothing."""
    copies: int = 1
    caption: str = ""
    intent: str = ""
    """"" where the row says nothing."""
    rendering: str = ""
    """"" where the row says nothing."""
    anchor: str = ""
    """"" where the row says nothing."""
    white: str = ""
    """Which place is white or grey, as in ``"40.0%,30.0%"``; "" where the row says nothing."""

    @property
    def key(self) -> str:
        """What no other placement of the ticket has: page and name, whatever their case."""
        return f"{collision_key(self.page)}\n{collision_key(self.name)}"


@dataclass(frozen=True)
class Ticket:
    """What a ticket says."""

    placements: tuple[Placement, ...]
    problems: tuple[RowProblem, ...] = ()
    """Of rows that are left out."""
    remarks: tuple[str, ...] = ()
    """Plain sentences about what was passed over."""
    rows: int = 0
    """How many it has below its header."""


class TicketError(ValueError):
    """A file that is no ticket; the message says why, and what a ticket needs."""


def is_ticket(name: str) -> bool:
    """Tell a ticket from a picture by its name."""
    return name.casefold().endswith((".csv", ".tsv", *SUFFIXES))


def read_ticket(data: bytes, name: str = "") -> Ticket:
    """Read a ticket.

    Parameters
    ----------
    data
        The whole file.
    name
        Its name, which tells a workbook from a text.

    Raises
    ------
    TicketError
        When it is no table, or has no column for the file or the page.
    """
    remarks: list[str] = []
    try:
        if name.casefold().endswith(SUFFIXES):
            rows, remarks = read_workbook(data)
        else:
            rows = read_table(data)
    except TableError as error:
        raise TicketError(str(error)) from error
    if not rows:
        raise TicketError("It is empty. The first row names the columns: file, page, width …")
    read = _Reading(rows[0]).read(rows[1:])
    return replace(read, remarks=(*remarks, *read.remarks))


class _Reading:
    """Goes through the rows of one ticket."""

    def __init__(self, header: Row) -> None:
        self._at: dict[str, int] = {}
        self._units: dict[str, str] = {}
        self._problems: list[RowProblem] = []
        self._remarks: list[str] = []
        self._on_page: dict[str, int] = {}
        self._taken: dict[str, int] = {}
        self._idle_anchors: list[int] = []
        self._alike: dict[int, tuple[str, str]] = {}
        """Titles with a slip of the pen and the columns they resemble, by where they stand."""
        for index, title in enumerate(header.cells):
            self._note_column(index, title)
        missing = [column for column in ("file", "page") if column not in self._at]
        if missing:
            found = ", ".join(display_name(each) for each in header.cells if each)
            raise TicketError(
                f"It has no column {' and no column '.join(missing)}; row {header.number} names: "
                f"{found[:200]}. A ticket's first row names its columns: file, page, and "
                "optionally placement, width, height, copies, caption, intent, rendering, anchor, "
                "white."
            )

    def read(self, rows: list[Row]) -> Ticket:
        rows = self._leave_out_totals(rows)
        placements = [placement for row in rows if (placement := self._read_placement(row))]
        if self._idle_anchors:
            self._remarks.append(
                f"The anchor of {_list_rows(self._idle_anchors)} is not used: without both width "
                "and height nothing is cropped."
            )
        return Ticket(
            tuple(placements), tuple(self._problems), tuple(self._remarks), rows=len(rows)
        )

    def _leave_out_totals(self, rows: list[Row]) -> list[Row]:
        """All rows but those at the bottom in which a spreadsheet sums the others up."""
        end = len(rows)
        while end and self._is_total(rows[end - 1]):
            end -= 1
        totals = rows[end:]
        if not any(self._names_total(row) or self._has_only_numbers(row) for row in totals):
            return rows
        self._remarks.append(f"What stands in {_list_rows([r.number for r in totals])} is a total.")
        return rows[:end]

    def _is_total(self, row: Row) -> bool:
        file, page = self._find_cell(row, "file"), self._find_cell(row, "page")
        if (page and not _TOTAL.match(page)) or (file and not _TOTAL.match(file)):
            return False
        return self._names_total(row) or any(map(_PLAIN_NUMBER.fullmatch, row.cells))

    @staticmethod
    def _names_total(row: Row) -> bool:
        return any(map(_TOTAL.match, row.cells))

    @staticmethod
    def _has_only_numbers(row: Row) -> bool:
        return all(_PLAIN_NUMBER.fullmatch(cell) for cell in row.cells if cell)

    def _note_column(self, index: int, title: str) -> None:
        name = simplify(title)
        column, unit = COLUMNS.get(name, ""), ""
        if not column and (match := _SIZE_COLUMN.fullmatch(name)):
            column, unit = COLUMNS[match[1]], match[2]
        if not column:
            if title:
                like = difflib.get_close_matches(name, COLUMNS, 1, cutoff=_ALIKE)
                meant = f" Did you mean {COLUMNS[like[0]]}?" if like else ""
                self._remarks.append(f"The column {display_name(title)} is not used.{meant}")
                if like and _is_slip(name, like[0]):
                    self._alike[index] = display_name(title), COLUMNS[like[0]]
            return
        if column in self._at:
            raise TicketError(
                f"It has two columns for {column}: the columns {self._at[column] + 1} and "
                f"{index + 1}. Leave one."
            )
        self._at[column] = index
        self._units[column] = unit

    def _read_placement(self, row: Row) -> Placement | None:
        before = len(self._problems)
        file = self._find_cell(row, "file").replace("\\", "/").removeprefix("./")
        if fault := row.faults.get(self._at["file"]):
            self._complain(row, "file", file, fault)
        elif not file:
            self._complain(row, "file", "", "the name of a picture")
        page = self._check(row, "page", _read_page)
        # rows that are left out count as well: putting one right moves no other's name
        on_page = collision_key(page or "")
        self._on_page[on_page] = self._on_page.get(on_page, 0) + 1
        name = self._check(row, "placement", _read_name) or str(self._on_page[on_page])
        width, height = (self._read_side(row, column) for column in ("width", "height"))
        sizes = [column for column in ("width", "height") if column in self._at]
        if sizes and not any(self._find_cell(row, column) for column in sizes):
            self._complain(row, sizes[0], "", _LENGTH)
        copies = self._check(row, "copies", _read_copies)
        caption = self._check(row, "caption", _read_caption) or ""
        intent = self._check(row, "intent", _read_intent) or ""
        rendering = self._check(row, "rendering", _read_rendering) or ""
        if intent and rendering not in ("", str(Rendering.INTENT)):
            self._complain(row, "rendering", rendering, f"nothing beside the intent {intent}")
        white = self._check(row, "white", _read_white) or ""
        anchor = ""
        if all(self._find_cell(row, column) for column in ("width", "height")):
            anchor = self._check(row, "anchor", _read_anchor) or ""
        elif self._find_cell(row, "anchor"):
            self._idle_anchors.append(row.number)
        self._check_alike(row)
        if page is None or len(self._problems) > before:
            return None
        made = Placement(
            row=row.number,
            file=file,
            page=page,
            name=name,
            width_mm=width,
            height_mm=height,
            copies=copies or 1,
            caption=caption,
            intent=intent,
            rendering=rendering,
            anchor=anchor,
            white=white,
        )
        if made.key in self._taken:
            allowed = (
                f"another name; row {self._taken[made.key]} is placement {name} of page {page}"
            )
            self._complain(row, "placement", name, allowed)
            return None
        self._taken[made.key] = row.number
        return made

    def _check_alike(self, row: Row) -> None:
        """Leave out a row that says something where nobody reads it: it may be the size."""
        for index, (title, column) in self._alike.items():
            text = row.cells[index] if index < len(row.cells) else ""
            if text and column not in self._at:
                allowed = f"the title {column}, if that is meant; or a title unlike it"
                self._complain(row, title, text, allowed)

    def _find_cell(self, row: Row, column: str) -> str:
        index = self._at.get(column)
        return row.cells[index] if index is not None and index < len(row.cells) else ""

    def _complain(self, row: Row, column: str, got: str, allowed: str) -> None:
        shown = f'"{display_name(got)[:80]}"' if got else "is empty"
        file, page, placement = (
            display_name(self._find_cell(row, each)) for each in ("file", "page", "placement")
        )
        problem = RowProblem(row.number, column, shown, allowed, file, page[:80], placement[:80])
        self._problems.append(problem)

    def _check(self, row: Row, column: str, read: Callable[[str], _Value]) -> _Value | None:
        text = self._find_cell(row, column)
        if fault := row.faults.get(self._at.get(column, -1)):
            self._complain(row, column, text, fault)
            return None
        if not text and column != "page":
            return None
        try:
            return read(text)
        except ValueError as error:
            self._complain(row, column, text, str(error))
            return None

    def _read_side(self, row: Row, column: str) -> float | None:
        return self._check(row, column, lambda text: _read_side(text, self._units[column]))


def _is_slip(name: str, known: str) -> bool:
    """Whether a title is a known one with letters swapped, or with one too many or too few.

    Not one with another letter, nor what resembles a short word of some language: a plate is no
    platz, and a weight no height.
    """
    if len(known) < _LONG_ENOUGH and known != COLUMNS[known]:
        return False
    short, long = sorted((name, known), key=len)
    if len(short) == len(long):
        return sorted(short) == sorted(long)
    letters = iter(long)
    return len(long) == len(short) + 1 and all(letter in letters for letter in short)


def _list_rows(numbers: list[int]) -> str:
    shown = ", ".join(map(str, numbers[:_SHOWN]))
    more = f" and {len(numbers) - _SHOWN} more" if len(numbers) > _SHOWN else ""
    return f"row {shown}" if len(numbers) == 1 else f"rows {shown}{more}"


def _read_side(text: str, unit_of_column: str) -> float:
    """Millimetres of a side; the unit of the column counts where the cell has none."""
    # normalized, a ½ next to its 8 would read 81/2
    apart = "".join(f" {each}" if _is_fraction(each) else each for each in text)
    text = unicodedata.normalize("NFKC", apart).strip()
    if match := _FRACTION.fullmatch(text):
        whole, above, below = (int(each or 0) for each in match.groups()[:3])
        if not 0 < above < below:
            raise ValueError(_LENGTH)
        number, said = whole + above / below, match[4]
    elif match := _NUMBER.fullmatch(text):
        number, said = float(match[1].replace(",", ".")), match[2]
    else:
        raise ValueError(_SIDE if text.startswith(("-", "\N{MINUS SIGN}")) else _LENGTH)
    unit = said.strip().casefold().removesuffix(".") or unit_of_column
    if not unit:
        raise ValueError(f'{_LENGTH}; or the unit in the column\'s name: "width (mm)"')
    if unit not in _UNITS:
        raise ValueError(f"{_LENGTH}; units are mm, cm, m, in, ft")
    side = round(number * _UNITS[unit], 4)
    if not 0 < side <= MAX_SIDE_MM:
        raise ValueError(_SIDE)
    return side


def _is_fraction(character: str) -> bool:
    return unicodedata.decomposition(character).startswith("<fraction>")


def _read_page(text: str) -> str:
    whole = re.fullmatch(r"0*(\d{1,9})(?:[.,]0+)?", unicodedata.normalize("NFKC", text))
    page = whole[1] if whole else text
    return _check_short(page, "a page, as in 12 or iv")


def _read_name(text: str) -> str:
    whole = re.fullmatch(r"(\d{1,9})[.,]0+", text)
    return _check_short(whole[1] if whole else text, "a word or number for the place on its page")


def _check_short(text: str, allowed: str) -> str:
    if not text or len(text) > _MAX_PAGE or text != display_name(text):
        raise ValueError(f"{allowed}; at most {_MAX_PAGE} characters, on one line")
    return text


def _read_copies(text: str) -> int:
    whole = re.fullmatch(r"(\d{1,9})(?:[.,]0+)?", unicodedata.normalize("NFKC", text))
    if whole is None or not 1 <= int(whole[1]) <= MAX_COPIES:
        raise ValueError(f"a whole number from 1 to {MAX_COPIES}")
    return int(whole[1])


def _read_caption(text: str) -> str:
    """One line; the lines of a cell that has several are joined."""
    text = " ".join(text.split())
    if len(text) > _MAX_CAPTION or text != display_name(text):
        raise ValueError(f"at most {_MAX_CAPTION} characters that can be seen")
    return text


def _read_intent(text: str) -> str:
    words = " ".join(re.findall("[a-z]+", text.casefold()))
    words = words.replace("colorimetric", "").replace("colourimetric", "").strip()
    for intent in INTENTS:
        if words and words == intent.removesuffix(" colorimetric"):
            return intent
    raise ValueError(_say_names(text, INTENTS))


def _read_rendering(text: str) -> str:
    if text.strip().casefold() == Rendering.INTENT:
        return str(Rendering.INTENT)
    try:
        return str(Way.named(unicodedata.normalize("NFKC", text)))
    except ValueError:
        names = [str(each) for each in (Rendering.INTENT, *WAYS)]
        raise ValueError(_say_names(text, names)) from None


def _read_white(text: str) -> str:
    return str(WhiteWish.named(unicodedata.normalize("NFKC", text)))


def _read_anchor(text: str) -> str:
    words = set(re.findall("[a-z]+", text.casefold()))
    words = {"centre" if word in {"center", "middle"} else word for word in words}
    words = words - {"centre"} if len(words) > 1 else words
    for anchor in ANCHORS:
        if set(anchor.split()) == words:
            return anchor
    raise ValueError(_say_names(text, ANCHORS))


def _say_names(text: str, names: Sequence[str]) -> str:
    """Say which names there are; first the one that a slip of the pen was probably meant for."""
    like, listed = find_like(text, names), ", ".join(names)
    return f"{like}, if that is meant; or {listed}" if like else listed
