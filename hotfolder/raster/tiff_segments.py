"""Rows of a TIFF from its strips and tiles: only the segments that a band needs are decoded."""

from __future__ import annotations

import copy
import math
import os
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from hotfolder.errors import Refuse
from hotfolder.raster.foreign import TRY_AGAIN, cut_short, translated
from hotfolder.raster.original_file import OriginalFile
from hotfolder.raster.source import ReadLimits, check_whole

if TYPE_CHECKING:
    import tifffile

_SEPARATE = 2  # PlanarConfiguration
_LZW = 5  # Compression
_MAX_THREADS = 4


class SegmentReader:
    """Stored samples of one page, by rows.

    Segments lie in *belts*: a strip, or a row of tiles, of every plane. The belts at the two
    ends of the last request are kept, since the next band, above or below, starts in one.

    Raises
    ------
    Refuse
        When a segment lies outside the file, or one alone would be too large.
    """

    def __init__(self, file: OriginalFile, page: tifffile.TiffPage, limits: ReadLimits) -> None:
        self._file = file
        self._page = page
        self._height_px: int = page.imagelength
        self._width_px: int = page.imagewidth
        self._samples: int = page.samplesperpixel
        self._planes = self._samples if int(page.planarconfig) == _SEPARATE else 1
        self._per_segment = 1 if self._planes > 1 else self._samples
        self._dtype = np.dtype(page.dtype).newbyteorder("=")
        if page.is_tiled:
            self._belt_rows, self._segment_width = int(page.tilelength), int(page.tilewidth)
        else:
            self._belt_rows = min(int(page.rowsperstrip), self._height_px)
            self._segment_width = self._width_px
        if self._belt_rows < 1 or self._segment_width < 1:
            raise Refuse(
                "damaged", f"The file is damaged: its strips or tiles have no size. {TRY_AGAIN}"
            )
        self._across = math.ceil(self._width_px / self._segment_width)
        self._belts = math.ceil(self._height_px / self._belt_rows)
        self._offsets: tuple[int, ...] = tuple(page.dataoffsets)
        self._byte_counts = self._checked_byte_counts()
        self._plain = (
            page.compression == page.predictor == page.fillorder == 1
            and page.is_contiguous
            and not page.is_tiled
        )
        if not self._plain:
            segment = self._belt_rows * self._segment_width * self._per_segment
            check_whole(segment * self._dtype.itemsize, limits, "One strip or tile of the TIFF")
        self._jpeg_tables = page.jpegtables
        # with the output's size given, imagecodecs (2026.3.6) writes beyond its end when an LZW
        # stream is damaged, and the process ends; without, it looks at the stream first and raises
        self._is_lzw = page.compression == _LZW and page.fillorder == 1
        if self._is_lzw:
            page = copy.copy(page)
            page.compression = 1
        self._decode = page.decode
        self._kept: dict[int, NDArray[np.generic]] = {}
        self._pool = ThreadPoolExecutor(min(_MAX_THREADS, os.cpu_count() or 1), "decode")

    def rows(self, start: int, stop: int) -> NDArray[np.generic]:
        """Samples of rows ``start`` … ``stop - 1``: shape (rows, width, samples), native order."""
        stored = self._read_plain(start, stop) if self._plain else self._assembled(start, stop)
        # L*a*b* may be declared signed; its codes are taken apart as bits elsewhere.
        if stored.dtype.kind == "i":
            return stored.view(np.dtype(f"u{stored.itemsize}"))
        return stored

    def close(self) -> None:
        """End the threads."""
        self._kept.clear()
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _read_plain(self, start: int, stop: int) -> NDArray[np.generic]:
        """Uncompressed and in one piece: the rows are where arithmetic says."""
        stored_type = self._dtype.newbyteorder(self._page.parent.byteorder)
        row_bytes = self._width_px * self._per_segment * self._dtype.itemsize
        shape = (self._planes, stop - start, self._width_px, self._per_segment)
        planes = np.empty(shape, stored_type)
        for plane in range(self._planes):
            at = self._offsets[0] + (plane * self._height_px + start) * row_bytes
            self._file.read_into(at, planes[plane])
        native: NDArray[np.generic] = planes.astype(self._dtype, copy=False)
        if self._planes == 1:
            first: NDArray[np.generic] = native[0]
            return first
        return np.ascontiguousarray(np.moveaxis(native[..., 0], 0, -1))

    def _assembled(self, start: int, stop: int) -> NDArray[np.generic]:
        first, last = start // self._belt_rows, (stop - 1) // self._belt_rows
        wanted = range(first, last + 1)
        belts = {belt: kept for belt, kept in self._kept.items() if belt in wanted}
        self._kept.clear()
        belts |= self._decoded([belt for belt in wanted if belt not in belts])
        out = np.empty((stop - start, self._width_px, self._samples), self._dtype)
        for belt, pixels in belts.items():
            top = belt * self._belt_rows
            above, below = max(start, top), min(stop, top + len(pixels))
            out[above - start : below - start] = pixels[above - top : below - top]
        if first * self._belt_rows < start:
            self._kept[first] = belts[first]
        if stop < min(self._height_px, (last + 1) * self._belt_rows):
            self._kept[last] = belts[last]
        return out

    def _decoded(self, belts: list[int]) -> dict[int, NDArray[np.generic]]:
        made = {
            belt: np.empty((self._rows_of(belt), self._width_px, self._samples), self._dtype)
            for belt in belts
        }
        tasks = [
            (made[belt], belt, across, plane)
            for belt in belts
            for plane in range(self._planes)
            for across in range(self._across)
        ]
        for _ in self._pool.map(lambda task: self._place(*task), tasks):
            pass
        return made

    def _place(self, belt_pixels: NDArray[np.generic], belt: int, across: int, plane: int) -> None:
        index = (plane * self._belts + belt) * self._across + across
        top = belt * self._belt_rows
        with translated(f"the part around row {top}"):
            data = self._file.read(self._offsets[index], self._byte_counts[index])
            if self._is_lzw:
                data = bytes(imagecodecs.lzw_decode(data))
            decoded, _, _ = self._decode(data, index, jpegtables=self._jpeg_tables)
            if decoded is None:
                raise ValueError(f"segment {index} holds nothing")
            pixels = decoded[0]
            left = across * self._segment_width
            height = len(belt_pixels)
            width = min(self._segment_width, self._width_px - left)
            if pixels.shape[0] < height or pixels.shape[1] < width:
                raise ValueError(f"segment {index} has shape {pixels.shape}")
            place = slice(plane, plane + 1) if self._planes > 1 else slice(None)
            belt_pixels[:, left : left + width, place] = pixels[:height, :width]

    def _rows_of(self, belt: int) -> int:
        return min(self._belt_rows, self._height_px - belt * self._belt_rows)

    def _checked_byte_counts(self) -> tuple[int, ...]:
        """Byte counts of all segments, after making sure that the file holds them."""
        expected = self._belts * self._across * self._planes
        counts = list(self._page.databytecounts)
        uncompressed = self._page.compression == 1
        if uncompressed and expected == 1 and len(self._offsets) == 1 and not any(counts):
            counts = [self._page.nbytes]
        if len(self._offsets) < expected or len(counts) < expected:
            raise Refuse(
                "damaged",
                "The file is damaged: its list of strips or tiles is incomplete. "
                "Export or copy it again and drop it once more.",
            )
        for index in range(expected):
            offset, count = self._offsets[index], counts[index]
            if offset < 8 or count < 1 or offset + count > self._file.size:
                belt = index // self._across % self._belts
                raise cut_short(
                    f"the picture's part around row {belt * self._belt_rows} "
                    f"of {self._height_px} is missing"
                )
        if self._page.is_contiguous and self._offsets[0] + self._page.nbytes > self._file.size:
            raise cut_short("the picture's last rows are missing")
        return tuple(counts)
