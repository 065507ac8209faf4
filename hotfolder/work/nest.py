"""Several results on one width of roll: what is laid where, and the sheet that is printed.

No pixel of a piece is computed: it is copied, or turned by a quarter, so each is what its own file
has. The sheet flows in bands. A piece that lies as it is flows with it; a turned one is written to
a scratch file first, since its rows are columns there.
"""

from __future__ import annotations

import contextlib
import math
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes
from hotfolder.colour.encodings import white
from hotfolder.disk import durable
from hotfolder.errors import Refuse
from hotfolder.model.encoding import Encoding
from hotfolder.model.units import MM_PER_INCH
from hotfolder.raster.picture import Area, Band, Metadata, RasterSpec, rows_per_band
from hotfolder.raster.reading import OpenedOriginal, open_original
from hotfolder.work.packing import pack_strip

_BLACK: Final = {Encoding.RGB: (0, 0, 0), Encoding.GREY: (0,), Encoding.CMYK: (0, 0, 0, 65535)}
_MARK_MM: Final = 0.1
_SAME_PPI: Final = 1e-3
_AT_ONCE: Final = 2**20


@dataclass(frozen=True)
class Piece:
    """A result that is laid onto the roll."""

    path: Path
    name: str
    """As people read it."""
    sha256: str
    bits: int
    spec: RasterSpec

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        return self.spec.width_px, self.spec.height_px


@dataclass(frozen=True)
class Laid:
    """A piece and where it lies on the sheet, in its pixels."""

    piece: Piece
    left_px: int
    top_px: int
    is_turned: bool
    """By a quarter, clockwise."""

    @property
    def width_px(self) -> int:
        """Across the roll."""
        return self.piece.size_px[1] if self.is_turned else self.piece.size_px[0]

    @property
    def height_px(self) -> int:
        """Along the roll."""
        return self.piece.size_px[0] if self.is_turned else self.piece.size_px[1]


@dataclass(frozen=True)
class Nest:
    """A sheet of the roll's width."""

    laid: tuple[Laid, ...]
    """In the order of the pieces."""
    width_px: int
    """Of the roll."""
    length_px: int
    alone_px: int
    """How long the roll would be with one piece after the other, each turned as it needs less."""
    bound_px: int
    """No layout is shorter: the area of pieces and gaps over the width."""
    gap_px: int
    edge_px: int
    ppi: float

    @property
    def saved_share(self) -> float:
        """Of the medium that one after the other would take, 0 … 1."""
        return 1 - self.length_px / self.alone_px

    @property
    def cuts_px(self) -> tuple[int, ...]:
        """Rows at which a cut goes across the whole roll and through no piece, first ones first."""
        spans = sorted((each.top_px, each.top_px + each.height_px) for each in self.laid)
        found, end = [], spans[0][1]
        for top, stop in spans:
            if top >= end:
                found.append((end + top) // 2)
            end = max(end, stop)
        return tuple(found)

    def to_mm(self, px: float) -> float:
        """A length on the medium."""
        return px / self.ppi * MM_PER_INCH

    def to_px(self, mm: float) -> float:
        """The same in pixels, not rounded."""
        return mm / MM_PER_INCH * self.ppi


def read_pieces(paths: Sequence[Path]) -> list[Piece]:
    """Read what the files say of themselves, and see that they can lie on one sheet.

    Raises
    ------
    Refuse
        ``nest-differs``: profile, resolution or bits are not the same; ``nest-cannot``: a file
        has no resolution, is in Lab or has transparency; or as `open_original`.
    """
    found = []
    for path in paths:
        with open_original(path, name=path.name, scratch=path.parent) as opened:
            found.append(
                Piece(path, path.name, durable.sha256_of(path).sha256, opened.bits, opened.spec)
            )
    for piece in found:
        _check_alone(piece)
    for piece in found[1:]:
        _check_same(found[0], piece)
    return found


def _check_alone(piece: Piece) -> None:
    spec = piece.spec
    lacks = ""
    if not spec.ppi:
        lacks = "does not say how many pixels an inch has"
    elif spec.encoding is Encoding.LAB or spec.profile is None:
        lacks = "is not in the device values of a medium"
    elif spec.has_alpha:
        lacks = "has transparency"
    if lacks:
        raise Refuse("nest-cannot", f"{piece.name} {lacks}; only results for print can be nested.")


def _check_same(first: Piece, other: Piece) -> None:
    one, two = first.spec, other.spec
    differs = ""
    assert one.profile is not None and two.profile is not None  # noqa: PT018 - `_check_alone`
    if one.profile.sha256 != two.profile.sha256:
        differs = f"the profile {one.profile.description!r} and {two.profile.description!r}"
    elif abs(one.ppi - two.ppi) > _SAME_PPI:
        differs = f"{one.ppi:g} and {two.ppi:g} pixels an inch"
    elif first.bits != other.bits:
        differs = f"{first.bits} and {other.bits} bits"
    if differs:
        raise Refuse(
            "nest-differs",
            f"{first.name} and {other.name} cannot lie on one sheet: they have {differs}, and a "
            "sheet is printed as one. Nest them apart.",
        )


def lay_pieces(pieces: Sequence[Piece], width_mm: float, gap_mm: float, edge_mm: float) -> Nest:
    """Find a short layout.

    Parameters
    ----------
    pieces
        At least one.
    width_mm
        Of the roll.
    gap_mm
        At least so much paper between two pieces, for the knife.
    edge_mm
        Paper at the roll's sides, and at the sheet's start and end, that takes no print.

    Raises
    ------
    Refuse
        ``nest-too-wide``: a piece fits neither way.
    """
    ppi = pieces[0].spec.ppi

    def px(mm: float) -> int:
        return math.floor(mm / MM_PER_INCH * ppi + 0.5)

    width, gap, edge = math.floor(width_mm / MM_PER_INCH * ppi), px(gap_mm), px(edge_mm)
    room = width - 2 * edge
    # each piece brings its gap on the right and below; the last of a row needs none
    sizes = [(each.size_px[0] + gap, each.size_px[1] + gap) for each in pieces]
    try:
        packed = pack_strip(sizes, max(0, room) + gap)
    except ValueError as error:
        piece = pieces[error.args[0]]
        narrow = min(piece.size_px) / ppi * MM_PER_INCH
        raise Refuse(
            "nest-too-wide",
            f"{piece.name} is {narrow:.0f} mm on its shorter side, and the roll takes "
            f"{max(0.0, width_mm - 2 * edge_mm):.0f} mm. Take it out, or set a wider roll.",
        ) from error
    laid = tuple(
        Laid(piece, edge + place.left, edge + place.top, place.is_turned)
        for piece, place in zip(pieces, packed.places, strict=True)
    )
    area = sum(across * along for across, along in sizes)
    return Nest(
        laid=laid,
        width_px=width,
        length_px=packed.length - gap + 2 * edge,
        alone_px=sum(_lay_alone(each, room + gap) for each in sizes) - gap + 2 * edge,
        bound_px=-(-area // (room + gap)) - gap + 2 * edge,
        gap_px=gap,
        edge_px=edge,
        ppi=ppi,
    )


def _lay_alone(sides: tuple[int, int], width: int) -> int:
    return min(sides) if max(sides) <= width else max(sides)


def make_spec(nest: Nest) -> RasterSpec:
    """Say what the sheet is."""
    first = nest.laid[0].piece.spec
    return RasterSpec(
        width_px=nest.width_px,
        height_px=nest.length_px,
        encoding=first.encoding,
        profile=first.profile,
        ppi=nest.ppi,
        original_at=Area(0, 0, 0, 0),
        metadata=Metadata(),
    )


def make_bands(
    nest: Nest, scratch: Path, watch: Callable[[Band], None] | None = None
) -> Iterator[Band]:
    """Yield the sheet from top to bottom.

    Parameters
    ----------
    nest
        The layout.
    scratch
        A folder with room for the pieces that are turned, 16 bits a channel.
    watch
        Given each band before it is yielded.

    Raises
    ------
    Refuse
        When a piece is damaged, or is not what it was.
    """
    spec = make_spec(nest)
    paper, ink = white(spec.encoding), np.array(_BLACK[spec.encoding], np.uint16)
    marks = list(_mark(nest))
    at_once = rows_per_band(nest.width_px)
    with contextlib.ExitStack() as open_pieces:
        waiting = sorted(nest.laid, key=lambda each: each.top_px)
        flowing: list[tuple[Laid, _Rows]] = []
        for top in range(0, nest.length_px, at_once):
            rows = min(at_once, nest.length_px - top)
            pixels = np.empty((rows, nest.width_px, spec.channels), np.uint16)
            pixels[:] = paper
            while waiting and waiting[0].top_px < top + rows:
                laid = waiting.pop(0)
                flowing.append((laid, open_pieces.enter_context(_Rows(laid, scratch))))
            for laid, source in flowing:
                first, stop = max(top, laid.top_px), min(top + rows, laid.top_px + laid.height_px)
                if first < stop:
                    columns = slice(laid.left_px, laid.left_px + laid.width_px)
                    pixels[first - top : stop - top, columns] = source.take(stop - first)
                if stop == laid.top_px + laid.height_px:
                    source.close()
            flowing = [each for each in flowing if not each[1].is_closed]
            for left, mark_top, width, height in marks:
                first, stop = max(mark_top, top), min(mark_top + height, top + rows)
                if first < stop:
                    pixels[first - top : stop - top, left : left + width] = ink
            band = Band(top, pixels)
            if watch:
                watch(band)
            yield band


def _mark(nest: Nest) -> Iterator[tuple[int, int, int, int]]:
    """Lines at each piece's corners, outside it, as long as half of the gap: left, top, sides.

    The cut is along their inner edges. Without a gap there is no room for them.
    """
    width = max(1, math.floor(nest.to_px(_MARK_MM) + 0.5))
    length = min(nest.gap_px, nest.edge_px) // 2
    if length < 1 or width > length:
        return
    for each in nest.laid:
        left, top = each.left_px, each.top_px
        right, bottom = left + each.width_px, top + each.height_px
        for column in (left - width, right):
            yield column, top - length, width, length
            yield column, bottom, width, length
        for row in (top - width, bottom):
            yield left - length, row, length, width
            yield right, row, length, width


class _Rows:
    """Rows of a piece as it lies, from the first to the last."""

    def __init__(self, laid: Laid, scratch: Path) -> None:
        self._laid = laid
        self._undo = contextlib.ExitStack()
        opened = self._undo.enter_context(
            open_original(laid.piece.path, name=laid.piece.name, scratch=scratch)
        )
        if (opened.spec.width_px, opened.spec.height_px) != laid.piece.size_px:
            raise Refuse("nest-changed", f"{laid.piece.name} has changed meanwhile; nest it again.")
        self._left: list[Codes] = []
        self._bands = _turn(opened, scratch, self._undo) if laid.is_turned else _flow(opened)
        self.is_closed = False

    def take(self, rows: int) -> Codes:
        """Return the next rows, shape (rows, width, channels)."""
        held, count = self._left, sum(len(each) for each in self._left)
        while count < rows:
            held.append(next(self._bands))
            count += len(held[-1])
        joined = held[0] if len(held) == 1 else np.concatenate(held)
        self._left = [joined[rows:]] if count > rows else []
        return joined[:rows]

    def close(self) -> None:
        """Close the file; the scratch file goes."""
        self._undo.close()
        self._left = []
        self.is_closed = True

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _flow(opened: OpenedOriginal) -> Iterator[Codes]:
    for band in opened.bands():
        yield band.pixels


def _turn(opened: OpenedOriginal, scratch: Path, undo: contextlib.ExitStack) -> Iterator[Codes]:
    """The rows of a picture that is turned clockwise: its first column, from below, comes first."""
    spec = opened.spec
    path = scratch / f"turned-{spec.width_px}-{id(opened)}"
    shape = (spec.width_px, spec.height_px, spec.channels)
    undo.callback(path.unlink, missing_ok=True)
    with path.open("xb") as file:  # room first: a full disk would kill whoever writes to a map
        left = 2 * math.prod(shape)
        if hasattr(os, "posix_fallocate"):
            os.posix_fallocate(file.fileno(), 0, left)
            left = 0
        while left:
            left -= file.write(bytes(min(left, _AT_ONCE)))

    def look() -> NDArray[np.uint16]:
        # mapped anew for each band: else all that was touched stays in this process's memory
        return np.memmap(path, np.uint16, "r+", shape=shape)

    for band in opened.bands():
        stop = spec.height_px - band.top
        look()[:, stop - band.rows : stop] = band.pixels[::-1].transpose(1, 0, 2)
    at_once = rows_per_band(spec.height_px)
    for top in range(0, spec.width_px, at_once):
        yield np.array(look()[top : top + at_once])
