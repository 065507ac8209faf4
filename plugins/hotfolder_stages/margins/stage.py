"""Put the picture onto its sheet while its rows go by; of the picture no pixel is changed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import PurePath

import numpy as np

from hotfolder import (
    MM_PER_INCH,
    Band,
    Column,
    ConversionToCome,
    EditionNumber,
    Encoding,
    Facts,
    Findings,
    InkLimit,
    Job,
    Json,
    Place,
    RasterSpec,
    Refuse,
    SharpeningToCome,
    SizeToCome,
    Stage,
    hookimpl,
    rows_per_band,
    text_in,
)
from hotfolder.colour import Codes, white
from hotfolder_stages.margins.layout import Rectangle, TooNarrowError, lay_out
from hotfolder_stages.margins.lettering import Lettering, letter
from hotfolder_stages.margins.settings import MarginsSettings, fill_line

_BLACK = {
    Encoding.RGB: (0, 0, 0),
    Encoding.GREY: (0,),
    Encoding.CMYK: (0, 0, 0, 65535),
    Encoding.LAB: (0, 32896, 32896),
}
"""Of marks and words, in device values: black ink alone where there is one."""

_OPAQUE = 65535


class Margins(Stage[MarginsSettings]):
    """Put unprinted paper around the picture, with crop marks, fold marks and lines of words."""

    name = "margins"
    Settings = MarginsSettings
    place = Place.SHEET
    comes_after = (ConversionToCome, SizeToCome, SharpeningToCome, InkLimit)

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Lay out the sheet.

        Raises
        ------
        Refuse
            ``no-ppi``: paper is measured in millimetres; ``bleed-and-margins``.
        """
        if not raster.ppi:
            raise Refuse(
                "no-ppi",
                "Margins are millimetres of paper, and neither the file nor the settings say how "
                "many pixels an inch has. Set ppi in [stage.sizing].",
            )
        try:
            self._layout = layout = lay_out(self.settings, raster)
        except TooNarrowError as error:
            raise Refuse("bleed-and-margins", str(error)) from error
        self._raster = raster
        if self.settings.fold_marks and not layout.fold_marks:
            job.warn("no-wrap", "Fold marks are set, and the picture has no wrap to be folded.")
        told = job.told(EditionNumber)  # by a stage that decides it, told in `announce`
        values = _describe(raster, job, self.settings.edition or str(told or ""))
        self._caption = self._letter(self.settings.caption, layout.caption, values, job)
        self._label = self._letter(self.settings.label, layout.label, values, job)
        at = layout.picture
        return replace(
            raster,
            width_px=layout.width_px,
            height_px=layout.height_px,
            front_px=raster.looked_at_px,
            original_at=raster.original_area.placed(at.left_px, at.top_px, (1.0, 1.0)),
            trim_at_px=tuple(vars(layout.trim).values()),
            dither_from_px=(at.left_px, at.top_px),
        )

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Yield the sheet from top to bottom; keeps no rows."""
        picture = self._layout.picture
        yield from self._paper(0, picture.top_px)
        for band in bands:
            yield self._sheet(picture.top_px + band.top, band.rows, band)
        yield from self._paper(picture.bottom_px, self._layout.height_px)

    def close(self) -> Findings:
        """Say where everything lies."""
        layout, per_mm = self._layout, self._raster.ppi / MM_PER_INCH
        area, sheet = self._raster.width_px * self._raster.height_px, self._sheet_px()
        return {
            "sheet_px": list(sheet),
            "sheet_mm": [round(side / per_mm, 2) for side in sheet],
            "picture_at_px": _list(layout.picture),
            "trim_at_px": _list(layout.trim),
            "trim_mm": [
                round(side / per_mm, 2) for side in (layout.trim.width_px, layout.trim.height_px)
            ],
            "crop_marks": len(layout.crop_marks),
            "fold_marks": bool(layout.fold_marks),
            "caption": self._caption.text if self._caption else "",
            "label": self._label.text if self._label else "",
            "paper_share": round(1 - area / (sheet[0] * sheet[1]), 4),
        }

    @classmethod
    @hookimpl
    def hotfolder_facts(cls, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Say what is written on the sheet."""
        return Facts(
            columns=(
                Column("caption", "Caption", "", text_in(findings, "caption")),
                Column("label", "Label in the margin", "", text_in(findings, "label")),
            )
        )

    def _sheet_px(self) -> tuple[int, int]:
        return self._layout.width_px, self._layout.height_px

    def _letter(
        self, line: str, room: Rectangle, values: Mapping[str, str], job: Job
    ) -> Lettering | None:
        text = fill_line(line, values)
        made = letter(text, room, self._layout.text_px) if text else None
        if made and made.lacks:
            job.warn(
                "letters-missing",
                f"The font of captions and labels has no {' '.join(made.lacks)}; letters without "
                "accents, or question marks, stand there. Name the file in plain letters.",
            )
        if text and (made is None or (made.text != text and not made.lacks)):
            job.warn(
                "words-cut", f'There is no room for all of "{text}" in the margin; it was cut.'
            )
        return made

    def _paper(self, first: int, stop: int) -> Iterator[Band]:
        at_once = rows_per_band(self._layout.width_px)
        for top in range(first, stop, at_once):
            yield self._sheet(top, min(at_once, stop - top))

    def _sheet(self, top: int, rows: int, band: Band | None = None) -> Band:
        """Make rows of the sheet, with the picture's if there are any."""
        encoding, picture = self._raster.encoding, self._layout.picture
        pixels = np.empty((rows, self._layout.width_px, encoding.channels), np.uint16)
        pixels[:] = white(encoding)
        alpha = None
        if self._raster.has_alpha:
            alpha = np.full(pixels.shape[:2], _OPAQUE, np.uint16)
        if band is not None:
            pixels[:, picture.left_px : picture.right_px] = band.pixels
            if alpha is not None and band.alpha is not None:
                alpha[:, picture.left_px : picture.right_px] = band.alpha
        ink = np.array(_BLACK[encoding], np.uint16)
        for mark in (*self._layout.crop_marks, *self._layout.fold_marks):
            first, stop = max(mark.top_px, top), min(mark.bottom_px, top + rows)
            if first < stop:
                pixels[first - top : stop - top, mark.left_px : mark.right_px] = ink
        for words in (self._caption, self._label):
            if words:
                _draw(pixels, top, words, ink)
        return Band(top, pixels, alpha)


def _draw(pixels: Codes, top: int, words: Lettering, ink: Codes) -> None:
    """Draw the rows of a line of words into an array of ours, whose first row is row `top`."""
    first = max(words.top_px, top)
    stop = min(words.top_px + len(words.cover), top + len(pixels))
    if first >= stop:
        return
    cover = words.cover[first - words.top_px : stop - words.top_px, :, None].astype(np.int64)
    columns = slice(words.left_px, words.left_px + cover.shape[1])
    room = pixels[first - top : stop - top, columns]
    # in steps that 8 bits can hold: nothing is dithered around letters
    steps = room // np.int64(257) * (255 - cover) + ink // np.int64(257) * cover
    mixed = (steps + 127) // 255 * 257
    room[:] = np.where(cover == 0, room, mixed).astype(np.uint16)


def _describe(raster: RasterSpec, job: Job, edition: str) -> dict[str, str]:
    mm = [round(side / raster.ppi * MM_PER_INCH) for side in raster.looked_at_px]
    return {
        "file": PurePath(job.original.name).stem,
        "size": f"{mm[0]} x {mm[1]} mm",
        "medium": job.medium.surface.value,
        "destination": job.destination,
        "date": job.begun.date().isoformat(),
        "edition": edition,
        "ppi": f"{raster.ppi:g} ppi",
        "profile": job.profile.description,
    }


def _list(part: Rectangle) -> dict[str, Json]:
    return dict(vars(part))
