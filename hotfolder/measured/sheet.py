"""The sheet of a control strip: patches in rows for a hand-held instrument, words, and a 2D code.

Patches lie in rows of six, read from left to right and from top to bottom. Each is larger than the
opening of any hand-held instrument and has its name below it. The code (QR, ISO/IEC 18004) says
which strip it is; the marks at the corners of the patches, where they lie in a photograph.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Final

import numpy as np

from hotfolder.colour.arrays import Codes
from hotfolder.colour.encodings import white
from hotfolder.measured.control_strip import COLUMNS, ControlStrip
from hotfolder.measured.to_lay import hash_settings, say_code
from hotfolder.model.destination import Result
from hotfolder.raster.patch_block import (
    BLACK,
    QUIET_MODULES,
    PatchGrid,
    draw_mark,
    draw_text,
    to_codes,
)
from hotfolder.raster.picture import Band, RasterSpec, rows_per_band
from hotfolder.raster.writing import open_result
from hotfolder.settings.files import Destination

PPI: Final = 300
_PER_MM: Final = PPI / 25.4
_PATCH_MM, _PITCH_MM, _LABEL_MM = 14.0, 16.0, 4.0
_MARGIN_MM, _TEXT_MM, _LINE_MM = 7.0, 2.8, 3.8
_MODULE_MM: Final = 0.6
_MARK_MM, _MARK_IN_MM = 2.1, 3.5
"""Radius of a mark, and how far its middle is from the edge of the patches' room."""


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
    code = _code(say_code(strip, day, hash_settings(destination.raw)))
    grid = sheet_grid(len(strip.patches))
    words = _words(strip, destination, day)
    head = _px(_MARGIN_MM) + _px(_LINE_MM) * len(words) + _px(2)
    pitch, patch, margin = _px(_PITCH_MM), _px(_PATCH_MM), _px(_MARGIN_MM)
    row_px = patch + _px(_LABEL_MM)
    beside = margin + COLUMNS * pitch + _px(2 * _MARK_IN_MM)
    width = beside + code.shape[1] + margin
    height = head + max(grid.rows * row_px, code.shape[0]) + margin
    out: Codes = np.empty((height, width, encoding.channels), np.uint16)
    out[:] = white(encoding)
    ink = BLACK[encoding]
    for number, text in enumerate(words):
        draw_text(out, text, (margin, margin + number * _px(_LINE_MM)), _px(_TEXT_MM), ink)
    for number, each in enumerate(strip.patches):
        top, left = head + number // COLUMNS * row_px, margin + number % COLUMNS * pitch
        out[top : top + patch, left : left + patch] = to_codes(each.device)
        draw_text(out, each.name, (left, top + patch), _px(_TEXT_MM), ink)
    for x in grid.marks[::2]:
        for y in grid.marks[1::2]:
            draw_mark(out, (x * _PER_MM, head + y * _PER_MM), _MARK_MM * _PER_MM, encoding)
    room = out[head : head + code.shape[0], beside : beside + code.shape[1]]
    room[code] = ink
    return out


def sheet_grid(number: int) -> PatchGrid:
    """Return where patches and marks lie on a sheet, in mm from its left edge and its head."""
    rows = -(-number // COLUMNS)
    left, right = _MARK_IN_MM, _MARGIN_MM + COLUMNS * _PITCH_MM + _MARK_IN_MM
    bottom = rows * (_PATCH_MM + _LABEL_MM) - _MARK_IN_MM
    return PatchGrid(
        COLUMNS,
        number,
        (left, _MARK_IN_MM, right, bottom),
        (_MARGIN_MM + _PATCH_MM / 2, _PATCH_MM / 2),
        (_PITCH_MM, _PATCH_MM + _LABEL_MM),
        _PATCH_MM,
    )


def _code(text: str) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    import segno  # it loads what speaks to servers, which few processes need

    made = segno.make_qr(text, error="m")
    modules = np.array([list(row) for row in made.matrix_iter(border=QUIET_MODULES)], np.bool_)
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


def _px(mm: float) -> int:
    return round(mm * _PER_MM)
