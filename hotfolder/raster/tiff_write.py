"""TIFF results: strips are encoded in threads while the next bands are still being made."""

from __future__ import annotations

import io
import os
import struct
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import imagecodecs
import numpy as np
import tifffile

from hotfolder.disk.durable import Digest, HashedFile
from hotfolder.errors import Refuse
from hotfolder.model.destination import Result
from hotfolder.model.encoding import Encoding
from hotfolder.raster import exif
from hotfolder.raster.picture import Band, RasterSpec, Stored, rebanded
from hotfolder.raster.result_file import Samples, checked
from hotfolder.raster.samples import to_cielab

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

Made = TypeVar("Made")

_STRIP_BYTES = 2**20
_DEFLATE_LEVEL = 1  # measured: higher levels cost several times the time for a few per cent
_CLASSIC_BYTES = 2**32 - 2**26  # room for metadata and for data that do not shrink
_MAX_THREADS = 4
_PHOTOMETRIC = {
    Encoding.RGB: "rgb",
    Encoding.GREY: "minisblack",
    Encoding.CMYK: "separated",
    Encoding.LAB: "cielab",
}
_COMPRESSION = {"none": None, "lzw": "lzw", "deflate": "adobe_deflate"}
_PLACES = {exif.EXIF_DIRECTORY: 34666, exif.GPS_DIRECTORY: 34854}
"""Numbers under which entries for these tags are kept free: tifffile writes neither the tags nor
directories below a page. They sort as the tags do, and no file keeps them."""
_BYTE, _ASCII, _SHORT, _UNDEFINED, _LONG, _IFD8 = 1, 2, 3, 7, 4, 18


class TiffFormat:
    """Writes a striped, interleaved, little-endian TIFF; BigTIFF when 4 GiB might not do."""

    def __init__(self, spec: RasterSpec, result: Result) -> None:
        self.notes: list[str] = []
        self._spec = spec
        self._result = result
        self._samples = Samples(spec, result.bits)
        self._row_bytes = spec.width_px * self._samples.count * result.bits // 8
        self._rows = min(max(1, _STRIP_BYTES // self._row_bytes), spec.height_px)
        self._big = self._row_bytes * spec.height_px > _CLASSIC_BYTES
        if self._big:
            self._note_or_refuse_big()
        self._directories = self._exif()

    def write(self, path: Path, bands: Iterable[Band]) -> Digest | None:
        """See `FormatWriter`; what is not compressed is hashed on the way."""
        bands = checked(bands, self._spec)
        if self._result.compression == "none":
            return self._write_in_order(path, bands)
        strips = _made_ahead(self._encoder(), rebanded(bands, self._rows), 2 * _threads())
        self._write_by_library(path, strips)
        self._append_exif(path)
        return None

    def _write_by_library(self, path: Path | io.BytesIO, strips: Iterator[bytes]) -> None:
        spec = self._spec
        ppi = Fraction(spec.ppi).limit_denominator(10_000)
        resolution = (ppi.numerator, ppi.denominator)
        axes = 3 if self._samples.count > 1 else 2
        with tifffile.TiffWriter(path, bigtiff=self._big, byteorder="<") as file:
            file.write(
                strips,
                shape=(spec.height_px, spec.width_px, self._samples.count)[:axes],
                dtype=self._samples.dtype,
                photometric=_PHOTOMETRIC[spec.encoding],
                planarconfig="contig" if axes > 2 else None,
                extrasamples=["unassalpha"] if spec.has_alpha else None,
                rowsperstrip=self._rows,
                compression=_COMPRESSION[self._result.compression],
                predictor=self._result.compression != "none" or None,
                iccprofile=spec.profile.data if spec.profile else None,
                resolution=(resolution, resolution) if spec.ppi else None,
                resolutionunit="inch" if spec.ppi else None,
                software=False,
                metadata=None,
                extratags=self._tags(),
            )
            _check_ended(strips)

    def _write_in_order(self, path: Path, bands: Iterable[Band]) -> Digest:
        """Write what tifffile would, from the first byte to the last.

        It puts the list of contents in front when all else is written, though without compression
        all of it is known before the first strip.
        """
        last = (self._spec.height_px % self._rows) or self._rows
        count = -(-self._spec.height_px // self._rows)
        frame = _Frame(self._rows * self._row_bytes, last * self._row_bytes)
        self._write_by_library(frame, frame.list_strips(count))
        end = frame.strips_at + self._spec.height_px * self._row_bytes
        packed, entries = self._exif_entries(frame, end + end % 2)
        for place, entry in entries.items():
            frame.seek(place)
            frame.write(entry)
        file = HashedFile(path)
        try:
            file.write(frame.getvalue().ljust(frame.strips_at, b"\0"))
            # one strip begins where the one before it ends, so bands need not be cut
            for samples in _made_ahead(self._encoded, bands, 1):
                file.write(samples.reshape(-1).view(np.uint8).data)
            if packed:
                file.write(bytes(end % 2) + packed)
        finally:
            digest = file.close()
        return digest

    def _note_or_refuse_big(self) -> None:
        if self._result.bigtiff == "refuse":
            raise Refuse(
                "bigtiff",
                f"The result has {self._spec.width_px} × {self._spec.height_px} px and may be "
                'larger than 4 GiB, which only a BigTIFF can be, and bigtiff = "refuse" is set. '
                'Set a smaller size, bits = 8, or bigtiff = "write".',
            )
        self.notes.append(
            "The result may be larger than 4 GiB, so it is a BigTIFF, which not every program "
            "reads."
        )

    def _encoder(self) -> Callable[[Band], bytes]:
        compression = self._result.compression

        def encode(band: Band) -> bytes:
            samples = self._encoded(band)
            # horizontal differencing, TIFF 6.0 section 14
            differences = imagecodecs.delta_encode(samples, axis=-2)
            if compression == "lzw":
                return bytes(imagecodecs.lzw_encode(differences.tobytes()))
            return bytes(imagecodecs.deflate_encode(differences.tobytes(), _DEFLATE_LEVEL))

        return encode

    def _encoded(self, band: Band) -> Stored:
        if self._spec.encoding is not Encoding.LAB:
            return self._samples.of(band)
        if self._result.bits == 16:
            return self._samples.of(Band(band.top, to_cielab(band.pixels), band.alpha))
        samples = self._samples.of(band)
        samples[..., 1:3] ^= np.uint8(0x80)  # a* and b* are signed in 8-bit CIELAB
        return samples

    def _exif(self) -> exif.ExifDirectories:
        """What of the Exif block a TIFF may hold: interoperability rules are for JPEG files."""
        block = self._spec.metadata.exif
        if block is None:
            return exif.ExifDirectories()
        try:
            return replace(exif.parse(block), interoperability={})
        except ValueError:
            self.notes.append("The Exif data could not be written.")
            return exif.ExifDirectories()

    def _tags(self) -> list[tuple[int, int, int, bytes | int, bool]]:
        """Tags built from the metadata; the two pointers are filled in when all is written."""
        tags: list[tuple[int, int, int, bytes | int, bool]] = [
            (tag, value.type, value.count, value.data, True)
            for tag, value in self._directories.main.items()
            if tag in exif.DESCRIPTIVE and value.type in {_BYTE, _ASCII, _SHORT, 129}
        ]
        metadata = self._spec.metadata
        if metadata.xmp:
            tags.append((700, _BYTE, len(metadata.xmp), metadata.xmp, True))
        if metadata.iptc:
            tags.append((33723, _UNDEFINED, len(metadata.iptc), metadata.iptc, True))
        pointer = _IFD8 if self._big else _LONG
        if self._directories.exif:
            tags.append((_PLACES[exif.EXIF_DIRECTORY], pointer, 1, 0, True))
        if self._directories.gps:
            tags.append((_PLACES[exif.GPS_DIRECTORY], pointer, 1, 0, True))
        return tags

    def _append_exif(self, path: Path) -> None:
        """Put the Exif and GPS directories behind the picture and point to them."""
        end = path.stat().st_size
        end += end % 2
        packed, entries = self._exif_entries(path, end)
        if not packed:
            return
        with path.open("r+b") as file:
            file.seek(end)
            file.write(packed)
            for place, entry in entries.items():
                file.seek(place)
                file.write(entry)

    def _exif_entries(self, written: Path | io.BytesIO, at: int) -> tuple[bytes, dict[int, bytes]]:
        """Return the Exif and GPS directories as they stand at a place, and what points to them.

        That are entries of the list of contents, by their own place in the file.
        """
        packed, exif_at, gps_at = exif.pack_below(self._directories, at, big=self._big)
        if not packed:
            return b"", {}
        pointers = {exif.EXIF_DIRECTORY: exif_at, exif.GPS_DIRECTORY: gps_at}
        kind, form = (_IFD8, "<HHQQ") if self._big else (_LONG, "<HHII")
        if isinstance(written, io.BytesIO):
            written.seek(0)
        with tifffile.TiffFile(written) as file:
            tags = file.pages[0].aspage().tags
            return packed, {
                tags[_PLACES[tag]].offset: struct.pack(form, tag, kind, 1, offset)
                for tag, offset in pointers.items()
                if offset
            }


class _Frame(io.BytesIO):
    """All of a TIFF but its strips, which are as long as those that are written into it.

    Parameters
    ----------
    strip_bytes, last_bytes
        Of each strip, and of the last.
    """

    def __init__(self, strip_bytes: int, last_bytes: int) -> None:
        super().__init__()
        self._strip, self._last = bytes(strip_bytes), bytes(last_bytes)
        self.strips_at = 0
        """Where the first begins."""

    def list_strips(self, count: int) -> Iterator[bytes]:
        """Return so many strips for the library to write."""
        yield from [self._strip] * (count - 1)
        yield self._last

    def write(self, data: ReadableBuffer, /) -> int:
        """Write, but a strip leaves its place empty."""
        if data is not self._strip and data is not self._last:
            return super().write(data)
        self.strips_at = self.strips_at or self.tell()
        size = memoryview(data).nbytes
        self.seek(size, io.SEEK_CUR)
        return size


def _made_ahead(
    encode: Callable[[Band], Made], bands: Iterable[Band], most_waiting: int
) -> Iterator[Made]:
    """Encode bands in their order; a few at work in threads, no more waiting than that."""
    waiting: deque[Future[Made]] = deque()
    with ThreadPoolExecutor(_threads(), "encode") as pool:
        try:
            for band in bands:
                waiting.append(pool.submit(encode, band))
                while len(waiting) > most_waiting or (waiting and waiting[0].done()):
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()


def _threads() -> int:
    return min(_MAX_THREADS, os.cpu_count() or 1)


def _check_ended(strips: Iterator[bytes]) -> None:
    """Pull what comes after the last strip: the stages' last words."""
    for _ in strips:
        raise ValueError("more strips than the picture has")
