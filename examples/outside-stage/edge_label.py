"""A stage for hotfolder: a line of text below the picture, so that a sheet says what it is.

A studio that hangs ten versions of one picture on the wall to compare them wants each sheet to
say which it is. This stage adds a strip of the medium's white below the picture and writes into
it the file's name, the destination, the number of the print where a stage such as
``edition-number`` tells one, and a text of your own. Put it last before ``tagging``::

    stages = [..., "profile-conversion", "edge-label", "tagging"]

    [stage.edge-label]
    text = "version 3"
    height = "6 mm"
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from hotfolder import (
    MM_PER_INCH,
    Band,
    Column,
    ConversionToCome,
    EditionNumber,
    Encoding,
    Facts,
    Findings,
    Job,
    Json,
    LengthMm,
    Place,
    RasterSpec,
    Refuse,
    SizeToCome,
    Stage,
    StageSettings,
    hookimpl,
    number_in,
    text_in,
)

WHITE = {
    Encoding.RGB: (65535, 65535, 65535),
    Encoding.GREY: (65535,),
    Encoding.CMYK: (0, 0, 0, 0),
    Encoding.LAB: (65535, 32896, 32896),
}
BLACK = {
    Encoding.RGB: (0, 0, 0),
    Encoding.GREY: (0,),
    Encoding.CMYK: (0, 0, 0, 65535),
    Encoding.LAB: (0, 32896, 32896),
}


class EdgeLabelSettings(StageSettings):
    """The table ``[stage.edge-label]``."""

    text: str = ""
    """Words of your own, behind the file's name and the destination."""

    height: LengthMm = 6.0
    """Of the strip; in millimetres after parsing."""


class EdgeLabel(Stage[EdgeLabelSettings]):
    """Adds a labelled strip below the picture."""

    name = "edge-label"
    Settings = EdgeLabelSettings
    place = Place.CONVERTED
    comes_after = (ConversionToCome, SizeToCome)

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Say how much higher the picture will be.

        Raises
        ------
        Refuse
            ``no-ppi``, when nobody has said how large a pixel is.
        """
        if not raster.ppi:
            raise Refuse("no-ppi", "edge-label needs a ppi; put it after sizing.")
        self.raster = raster
        self.rows = max(1, round(self.settings.height / MM_PER_INCH * raster.ppi))
        edition = job.told(EditionNumber)
        number = str(edition) if edition else ""
        words = (job.original.name, job.destination, number, self.settings.text)
        self.label = "   ".join(word for word in words if word)
        return replace(raster, height_px=raster.height_px + self.rows)

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Pass the picture on as it came, and the strip after it."""
        yield from bands
        ink = self._ink()[:, :, np.newaxis]
        white, black = WHITE[self.raster.encoding], BLACK[self.raster.encoding]
        strip = np.round(np.array(white) * (1 - ink) + np.array(black) * ink).astype(np.uint16)
        opaque = np.full(ink.shape[:2], 65535, np.uint16) if self.raster.has_alpha else None
        yield Band(self.raster.height_px, strip, opaque)

    def close(self) -> Findings:
        """Return what stands there, and how high it is."""
        height_mm = round(self.rows / self.raster.ppi * MM_PER_INCH, 1)
        return {"label": self.label, "rows_added_px": self.rows, "height_mm": height_mm}

    @classmethod
    @hookimpl
    def hotfolder_facts(cls, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Add two columns to records and reports."""
        return Facts(
            columns=(
                Column("label", "Label", "", text_in(findings, "label")),
                Column("label-height", "Label height", "mm", number_in(findings, "height_mm")),
            )
        )

    def _ink(self) -> NDArray[np.float64]:
        """How much ink each pixel of the strip gets, 0 to 1; shape (rows, width)."""
        image = Image.new("L", (self.raster.width_px, self.rows), 0)
        font = ImageFont.load_default(self.rows * 0.6)
        ImageDraw.Draw(image).text(
            (self.rows * 0.3, self.rows / 2), self.label, fill=255, font=font, anchor="lm"
        )
        return np.asarray(image) / 255.0
