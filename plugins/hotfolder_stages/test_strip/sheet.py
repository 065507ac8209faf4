"""Cut pieces out of a picture as it passes, and lay them onto a small sheet with labels.

No pixel of a piece is computed: it is copied. Memory is that of the pieces, however large the
picture is.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import Field

from hotfolder import (
    MM_PER_INCH,
    NOWHERE,
    Band,
    ConversionToCome,
    Encoding,
    Findings,
    Job,
    Place,
    RasterSpec,
    Role,
    SettingsModel,
    Stage,
    StageSettings,
    rows_per_band,
)
from hotfolder.colour import Codes, flattened, white
from hotfolder_stages.test_strip.layout import cell, line_px, smallest, width_of
from hotfolder_stages.test_strip.lettering import draw, wrapped

BLACK = {
    Encoding.RGB: (0, 0, 0),
    Encoding.GREY: (0,),
    Encoding.CMYK: (0, 0, 0, 65535),
    Encoding.LAB: (0, 32896, 32896),
}
"""Of labels: black ink alone where there is one."""


class CutPiece(SettingsModel):
    """One piece, in pixels of the picture."""

    left_px: Annotated[int, Field(ge=0)]
    """Pixels from the picture's left edge to the piece."""
    top_px: Annotated[int, Field(ge=0)]
    """Pixels from the picture's top edge to the piece."""
    width_px: Annotated[int, Field(ge=1)]
    """Width of the piece."""
    height_px: Annotated[int, Field(ge=1)]
    """Height of the piece."""
    label: str = ""
    """The words below it."""


class OtherRendering(SettingsModel):
    """The same pieces in another rendering."""

    file: str
    """As ``raw_to`` wrote it."""
    rendering: str
    """What was made of the picture there."""


class StripSheetSettings(StageSettings):
    """The table ``[stage.strip-sheet]``."""

    pieces: Annotated[tuple[CutPiece, ...], Field(min_length=1, max_length=24)]
    """The pieces of the picture to cut out, each with its place, size and label."""
    heading: str = ""
    """Words above the pieces."""
    rendering: str = ""
    """What was made of the picture, for the labels; where there are several."""
    raw_to: str = ""
    """A file that the pieces are written to: bare 16-bit pixels, one piece after the other."""
    beside: Annotated[tuple[OtherRendering, ...], Field(max_length=5)] = ()
    """Pieces of other renderings, which lie left of this picture's."""


class StripSheet(Stage[StripSheetSettings]):
    """Make a sheet of pieces of the picture, at the size and resolution they have in it."""

    name = "strip-sheet"
    Settings = StripSheetSettings
    place = Place.CONVERTED
    role = Role.STRIP
    comes_after = (ConversionToCome,)

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Find the smallest sheet."""
        self._raster = raster
        self._count = len(self.settings.pieces) * (1 + len(self.settings.beside))
        self._cell = cell(raster.width_px, raster.height_px, raster.ppi)
        line = line_px(self._cell.text_px)
        self._headings = {
            columns: wrapped(
                self.settings.heading, self._cell.text_px, width_of(columns, self._cell)
            )
            for columns in range(1, self._count + 1)
        }
        heads = {columns: line * len(lines) for columns, lines in self._headings.items()}
        longest = max(raster.width_px, raster.height_px)
        renderings = 1 + len(self.settings.beside)
        if renderings > 1:  # renderings beside each other, a row for each piece
            heads, longest = {renderings: heads[renderings]}, 0
        self._sheet = smallest(self._count, self._cell, heads, longest)
        return replace(
            raster,
            width_px=self._sheet.width_px,
            height_px=self._sheet.height_px,
            has_alpha=False,
            original_at=NOWHERE,
        )

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Take the pieces as they pass; the sheet comes after the last band."""
        encoding = self._raster.encoding
        cut = [
            np.zeros((each.height_px, each.width_px, self._raster.channels), np.uint16)
            for each in self.settings.pieces
        ]
        for band in bands:
            for piece, kept in zip(self.settings.pieces, cut, strict=True):
                first = max(piece.top_px, band.top)
                last = min(piece.top_px + piece.height_px, band.top + band.rows)
                if first < last:
                    rows = slice(first - band.top, last - band.top)
                    across = slice(piece.left_px, piece.left_px + piece.width_px)
                    alpha = None if band.alpha is None else band.alpha[rows, across]
                    pixels = flattened(band.pixels[rows, across], alpha, encoding)
                    kept[first - piece.top_px : last - piece.top_px] = pixels
        if self.settings.raw_to:
            with Path(self.settings.raw_to).open("xb") as file:
                for pixels in cut:
                    pixels.tofile(file)
        made = self._laid_out(cut)
        step = rows_per_band(made.shape[1])
        for top in range(0, len(made), step):
            yield Band(top, np.ascontiguousarray(made[top : top + step]))

    def close(self) -> Findings:
        """Say where each piece came from and where it lies."""
        raster, sheet = self._raster, self._sheet
        pieces = []
        renderings = self._renderings()
        for number in range(self._count):
            piece = self.settings.pieces[number // len(renderings)]
            left, top = sheet.place(number, self._cell.pitch_px)
            there = {"strip_left_px": left, "strip_top_px": top}
            rendering = renderings[number % len(renderings)]
            pieces.append({**piece.model_dump(), **there, "rendering": rendering})
        shown = sum(each.width_px * each.height_px for each in self.settings.pieces)
        shown *= len(renderings)
        per_mm = raster.ppi / MM_PER_INCH
        return {
            "pieces": pieces,
            "picture_px": [raster.width_px, raster.height_px],
            "strip_mm": [round(sheet.width_px / per_mm, 1), round(sheet.height_px / per_mm, 1)]
            if per_mm
            else None,
            "shown_share": round(shown / (sheet.width_px * sheet.height_px), 4),
        }

    def _laid_out(self, cut: list[Codes]) -> Codes:
        sheet, each, encoding = self._sheet, self._cell, self._raster.encoding
        shape = (sheet.height_px, sheet.width_px, self._raster.channels)
        out: Codes = np.empty(shape, np.uint16)
        out[:] = white(encoding)
        black, line = BLACK[encoding], line_px(each.text_px)
        for number, text in enumerate(self._headings[sheet.columns]):
            draw(out, text, 0, number * line, each.text_px, black)
        renderings = self._renderings()
        all_cut = [*(self._read(each.file) for each in self.settings.beside), cut]
        for number in range(self._count):
            index, which = divmod(number, len(renderings))
            piece, pixels = self.settings.pieces[index], all_cut[which][index]
            name = f"{renderings[which]}; " if len(renderings) > 1 else ""
            left, top = sheet.place(number, each.pitch_px)
            out[top : top + piece.height_px, left : left + piece.width_px] = pixels
            label = f"{index + 1} {name}{piece.label}"
            lines = wrapped(label, each.text_px, each.width_px)[:2]
            for row, text in enumerate(lines):
                draw(out, text, left, top + piece.height_px + row * line, each.text_px, black)
        return out

    def _renderings(self) -> list[str]:
        """Name what lies beside each other, from the left."""
        return [*(each.rendering for each in self.settings.beside), self.settings.rendering]

    def _read(self, file: str) -> list[Codes]:
        """Read the bare pixels of the pieces in another rendering."""
        flat, at, found = np.fromfile(file, np.uint16), 0, []
        for piece in self.settings.pieces:
            shape = (piece.height_px, piece.width_px, self._raster.channels)
            stop = at + piece.height_px * piece.width_px * self._raster.channels
            found.append(flat[at:stop].reshape(shape))
            at = stop
        return found
