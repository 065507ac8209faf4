"""Cut pieces out of a picture as it passes, and lay them onto a small sheet with labels.

No pixel of a piece is computed: it is copied. Memory is that of the pieces, however large the
picture is.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
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


class StripSheetSettings(StageSettings):
    """The table ``[stage.strip-sheet]``."""

    pieces: Annotated[tuple[CutPiece, ...], Field(min_length=1, max_length=24)]
    """The pieces of the picture to cut out, each with its place, size and label."""
    heading: str = ""
    """Words above the pieces."""


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
        pieces = self.settings.pieces
        self._cell = cell(raster.width_px, raster.height_px, raster.ppi)
        line = line_px(self._cell.text_px)
        self._headings = {
            columns: wrapped(
                self.settings.heading, self._cell.text_px, width_of(columns, self._cell)
            )
            for columns in range(1, len(pieces) + 1)
        }
        heads = {columns: line * len(lines) for columns, lines in self._headings.items()}
        longest = max(raster.width_px, raster.height_px)
        self._sheet = smallest(len(pieces), self._cell, heads, longest)
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
        made = self._laid_out(cut)
        step = rows_per_band(made.shape[1])
        for top in range(0, len(made), step):
            yield Band(top, np.ascontiguousarray(made[top : top + step]))

    def close(self) -> Findings:
        """Say where each piece came from and where it lies."""
        raster, sheet = self._raster, self._sheet
        pieces = []
        for number, piece in enumerate(self.settings.pieces):
            left, top = sheet.place(number, self._cell.pitch_px)
            there = {"strip_left_px": left, "strip_top_px": top}
            pieces.append({**piece.model_dump(), **there})
        shown = sum(each.width_px * each.height_px for each in self.settings.pieces)
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
        for number, (piece, pixels) in enumerate(zip(self.settings.pieces, cut, strict=True)):
            left, top = sheet.place(number, each.pitch_px)
            out[top : top + piece.height_px, left : left + piece.width_px] = pixels
            lines = wrapped(f"{number + 1} {piece.label}", each.text_px, each.width_px)[:2]
            for row, text in enumerate(lines):
                draw(out, text, left, top + piece.height_px + row * line, each.text_px, black)
        return out
