"""Rows as stored, turned upright (Exif 2.32, 4.6.4 A, tag Orientation).

========  =========================================  ====================
value     row 0 and column 0 of the file are         made upright by
========  =========================================  ====================
1         top, left                                  nothing
2         top, right                                 mirroring rows
3         bottom, right                              half a turn
4         bottom, left                               reading upwards
5         left, top                                  transposing
6         right, top                                 a quarter turn right
7         right, bottom                              transposing, half a turn
8         left, bottom                               a quarter turn left
========  =========================================  ====================

1 to 4 stream. 5 to 8 need the last row of the file for the first row upright: the stored rows
are written, transposed in blocks, to a scratch file, from which every upright row reads a piece
of each block; so memory stays that of a band.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from hotfolder.raster.picture import Band
from hotfolder.raster.source import RowSource

_MIRRORED = {2, 3}
_UPWARDS = {3, 4}
_SWAPPED = {5, 6, 7, 8}


def is_turned(orientation: int) -> bool:
    """Whether the orientation makes rows of columns."""
    return orientation in _SWAPPED


def upright_size(width_px: int, height_px: int, orientation: int) -> tuple[int, int]:
    """Width and height after the orientation is applied."""
    return (height_px, width_px) if is_turned(orientation) else (width_px, height_px)


def upright_bands(source: RowSource, rows: int, scratch: Path) -> Iterator[Band]:
    """The whole picture, top to bottom, in bands of `rows` rows (the last may be shorter)."""
    if source.header.orientation in _SWAPPED:
        yield from _transposed(source, rows, scratch)
    else:
        yield from _streamed(source, rows)


def _streamed(source: RowSource, rows: int) -> Iterator[Band]:
    height_px = source.header.height_px
    for top in range(0, height_px, rows):
        yield upright_band(source, top, min(height_px, top + rows))


def upright_band(source: RowSource, top: int, bottom: int) -> Band:
    """Return rows `top` … `bottom - 1` upright, of a picture that is not `is_turned`."""
    orientation, height_px = source.header.orientation, source.header.height_px
    upwards = orientation in _UPWARDS
    down = slice(None, None, -1 if upwards else 1)
    along = slice(None, None, -1 if orientation in _MIRRORED else 1)
    first = height_px - bottom if upwards else top
    pixels, alpha = source.rows(first, first + bottom - top)
    return Band(
        top,
        np.ascontiguousarray(pixels[down, along]),
        None if alpha is None else np.ascontiguousarray(alpha[down, along]),
    )


@dataclass(frozen=True)
class _Block:
    """Some stored rows, transposed, at `offset` of the scratch file: (width, rows, samples)."""

    offset: int
    first: int
    rows: int


def _transposed(source: RowSource, rows: int, scratch: Path) -> Iterator[Band]:
    header = source.header
    samples = header.encoding.channels + header.has_alpha
    # Upright row t is stored column t, or the last but t; upright column c likewise stored row.
    columns_reversed = header.orientation in {7, 8}
    rows_reversed = header.orientation in {6, 7}
    with tempfile.TemporaryFile(dir=scratch) as file:
        blocks = _write_blocks(source, rows, file)
        for top in range(0, header.width_px, rows):
            bottom = min(header.width_px, top + rows)
            first = header.width_px - bottom if columns_reversed else top
            joined = np.empty((bottom - top, header.height_px, samples), np.uint16)
            for block in blocks:
                piece = np.empty((bottom - top, block.rows, samples), np.uint16)
                file.seek(block.offset + first * block.rows * samples * 2)
                _fill(file, piece)
                joined[:, block.first : block.first + block.rows] = piece
            down = slice(None, None, -1 if columns_reversed else 1)
            along = slice(None, None, -1 if rows_reversed else 1)
            turned = joined[down, along]
            alpha = np.ascontiguousarray(turned[..., -1]) if header.has_alpha else None
            pixels = np.ascontiguousarray(turned[..., : header.encoding.channels])
            yield Band(top, pixels, alpha)


def _write_blocks(source: RowSource, rows: int, file: IO[bytes]) -> list[_Block]:
    blocks = []
    height_px = source.header.height_px
    for start in range(0, height_px, rows):
        stop = min(height_px, start + rows)
        pixels, alpha = source.rows(start, stop)
        if alpha is not None:
            pixels = np.concatenate([pixels, alpha[..., np.newaxis]], axis=-1)
        blocks.append(_Block(file.tell(), start, stop - start))
        file.write(np.ascontiguousarray(np.swapaxes(pixels, 0, 1)).data)
    return blocks


def _fill(file: IO[bytes], array: NDArray[np.uint16]) -> None:
    view = array.reshape(-1).view("u1").data
    if file.readinto(view) != len(view):  # type: ignore[attr-defined]  # IO lacks it
        raise OSError("the scratch file of a rotated picture ended too early")
