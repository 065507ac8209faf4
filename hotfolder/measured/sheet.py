"""The sheet of a control strip: patches in rows for a hand-held instrument, words, and a 2D code.

Patches lie in rows of six, read from left to right and from top to bottom. Each is larger than the
opening of any hand-held instrument and has its name below it. The code (QR, ISO/IEC 18004) says
which strip it is.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Final

import numpy as np
import segno
from PIL import Image, ImageDraw, ImageFont

from hotfolder.colour.arrays import Codes
from hotfolder.colour.encodings import white
from hotfolder.measured.control_strip import COLUMNS, ControlStrip
from hotfolder.model.destination import Result
from hotfolder.model.encoding import Encoding
from hotfolder.raster.picture import Band, RasterSpec, rows_per_band
from hotfolder.raster.writing import open_result
from hotfolder.settings.files import Destination

PPI: Final = 300
_PER_MM: Final = PPI / 25.4
_PATCH_MM, _PITCH_MM, _LABEL_MM = 14.0, 16.0, 4.0
_MARGIN_MM, _TEXT_MM, _LINE_MM = 5.0, 2.8, 3.8
_MODULE_MM: Final = 0.6
_QUIET_MODULES: Final = 4
"""ISO/IEC 18004, 9.1: the empty border of a code."""
_BLACK: Final = {
    Encoding.RGB: (0, 0, 0),
    Encoding.GREY: (0,),
    Encoding.CMYK: (0, 0, 0, 65535),
    Encoding.LAB: (0, 32896, 32896),
}


def write_sheet(
    path: Path, strip: ControlStrip, destination: Destination, day: date
) -> tuple[float, float]:
    """Write a strip as a TIFF in its destination's device space, with its profile.

    Returns
    -------
    Width and height in mm.

    Raises
    ------
    OSError
        When the disk is full or fails.
    """
    pixels = draw_sheet(strip, destination, day)
    height, width = pixels.shape[:2]
    encoding = destination.profile.encoding
    spec = RasterSpec(width, height, encoding, profile=destination.profile, ppi=PPI)
    result = Result(format="tiff", bits=destination.file.result.bits)
    step = rows_per_band(width)
    with open_result(path, spec, result) as writer:
        writer.write(
            Band(top, np.ascontiguousarray(pixels[top : top + step]))
            for top in range(0, height, step)
        )
    return round(width / _PER_MM, 1), round(height / _PER_MM, 1)


def draw_sheet(strip: ControlStrip, destination: Destination, day: date) -> Codes:
    """Draw a strip: uint16, shape (rows, width, channels), device values of the destination."""
    encoding = destination.profile.encoding
    code = _code(strip, day)
    rows = -(-len(strip.patches) // COLUMNS)
    words = _words(strip, destination, day)
    head = _px(_MARGIN_MM) + _px(_LINE_MM) * len(words) + _px(2)
    pitch, patch, margin = _px(_PITCH_MM), _px(_PATCH_MM), _px(_MARGIN_MM)
    row_px = patch + _px(_LABEL_MM)
    width = margin + COLUMNS * pitch + code.shape[1] + margin
    height = head + max(rows * row_px, code.shape[0]) + margin
    out: Codes = np.empty((height, width, encoding.channels), np.uint16)
    out[:] = white(encoding)
    ink = np.array(_BLACK[encoding], np.float32)
    for number, text in enumerate(words):
        _draw(out, text, margin, margin + number * _px(_LINE_MM), ink)
    for number, each in enumerate(strip.patches):
        top, left = head + number // COLUMNS * row_px, margin + number % COLUMNS * pitch
        codes = np.rint(np.array(each.device) * 65535).astype(np.uint16)
        out[top : top + patch, left : left + patch] = codes
        _draw(out, each.name, left, top + patch, ink)
    left = margin + COLUMNS * pitch
    room = out[head : head + code.shape[0], left : left + code.shape[1]]
    room[code] = _BLACK[encoding]
    return out


def say_code(strip: ControlStrip, day: date) -> str:
    """Return what the code on a sheet says."""
    return (
        f"hotfolder strip {strip.id} for {strip.destination} "
        f"profile {strip.profile_sha256[:16]} {day.isoformat()}"
    )


def _code(strip: ControlStrip, day: date) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    made = segno.make_qr(say_code(strip, day), error="m")
    modules = np.array([list(row) for row in made.matrix_iter(border=_QUIET_MODULES)], np.bool_)
    size = _px(_MODULE_MM)
    return np.kron(modules, np.ones((size, size), np.bool_))


def _words(strip: ControlStrip, destination: Destination, day: date) -> list[str]:
    title = destination.file.title or destination.name
    return [
        f"Control strip {strip.id} for {title} ({destination.name}), {day.isoformat()}",
        f"Medium: {destination.file.medium.surface}; profile {strip.profile}",
        "Print at 100 %, without colour conversion. Measure from left to right, row by row;",
        f"put the instrument's file into measured/{destination.name}/",
    ]


def _draw(
    pixels: Codes, text: str, left: int, top: int, ink: np.ndarray[tuple[int], np.dtype[np.float32]]
) -> None:
    """Draw a line of text; what does not fit is cut off."""
    room = pixels[top : top + _px(_LINE_MM), left:]
    image = Image.new("L", (room.shape[1], room.shape[0]))
    font = ImageFont.load_default(_px(_TEXT_MM))
    ImageDraw.Draw(image).text((0, 0), text, fill=255, font=font)
    cover = np.asarray(image, dtype=np.float32)[..., None] / 255
    room[:] = np.rint(room + (ink - room) * cover).astype(np.uint16)


def _px(mm: float) -> int:
    return round(mm * _PER_MM)
