"""PSD and PSB files: the flat picture that is saved with their layers, a band at a time.

The layers are left alone: what they come to is only known to the program that made them. The layout
is the one that its vendor has published ("Photoshop File Formats Specification", November 2019).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from hotfolder.errors import Refuse
from hotfolder.model.encoding import Encoding
from hotfolder.raster.floats import Fitting, count_outside, fit
from hotfolder.raster.foreign import TRY_AGAIN, cut_short, translated
from hotfolder.raster.headers import Blocks, make_header
from hotfolder.raster.original_file import OriginalFile
from hotfolder.raster.picture import Stored, rows_per_band
from hotfolder.raster.samples import SampleLayout, to_rows
from hotfolder.raster.source import Request, Rows, check_page, check_size, check_whole

_SIGNATURE = b"8BPS"
_HEAD = struct.Struct(">4sH6xHIIHH")
_RAW, _RUNS = 0, 1
_MOST_CHANNELS = 56
_MOST_RESOURCES = 10_000
_LAYERED: Final = "The file has layers; the flat picture that is saved with them was taken."

_KINDS = {
    0: (Encoding.GREY, 1),
    1: (Encoding.GREY, 1),
    2: (Encoding.RGB, 1),
    3: (Encoding.RGB, 3),
    4: (Encoding.CMYK, 4),
    9: (Encoding.LAB, 3),
}
"""What comes out and how many channels it has in the file, by colour mode: bitmap, grey, indexed,
RGB, CMYK, Lab."""
_NOT_READ = {7: "as separate channels", 8: "as a duotone"}


def is_psd(head: bytes) -> bool:
    """Tell by its first bytes whether a file is a PSD or a PSB."""
    return head.startswith(_SIGNATURE) and head[4:6] in {b"\0\1", b"\0\2"}


@dataclass(frozen=True)
class _Layers:
    """What matters of the section of layers and masks."""

    are_there: bool
    has_transparency: bool
    """The first channel beyond the colours is the flat picture's alpha plane."""
    end: int


class PsdSource:
    """The rows of a PSD's flat picture.

    Raises
    ------
    Refuse
        ``no-flat-picture``, ``damaged``, ``unsupported`` or ``too-large``.
    Hold
        ``no-such-page``.
    """

    def __init__(self, file: OriginalFile, request: Request) -> None:
        self._file = file
        head = file.read(0, _HEAD.size)
        if len(head) < _HEAD.size:
            raise cut_short("it has only the start of a header")
        _, version, self._channels, height_px, width_px, depth, mode = _HEAD.unpack(head)
        self._is_large = version == 2
        self._width_px, self._height_px = width_px, height_px
        if mode in _NOT_READ or mode not in _KINDS:
            raise _unsupported(_NOT_READ.get(mode, "in an unknown kind of colour"))
        encoding, own = _KINDS[mode]
        if not own <= self._channels <= _MOST_CHANNELS:
            raise Refuse("damaged", f"The file is damaged: it lacks channels. {TRY_AGAIN}")
        if depth not in {1, 8, 16, 32} or (depth == 1) != (mode == 0):
            raise _unsupported(f"with {depth} bits per channel")
        if (encoding is Encoding.LAB or mode == 2) and depth != 8:
            raise _unsupported(f"as Lab or with a palette, with {depth} bits per channel")
        check_page(1, request.reading)
        self._dtype = np.dtype({1: "u1", 8: "u1", 16: ">u2", 32: ">f4"}[depth])
        self._depth = depth
        self._row_bytes = (width_px + 7) // 8 if depth == 1 else width_px * self._dtype.itemsize
        decoded = self._row_bytes * height_px * self._channels
        check_size(width_px, height_px, decoded, file.size, request.limits)
        colour_map, at = self._section(26)
        resources, at = self._section(at)
        layers = self._read_layers(at)
        blocks, has_flat = _read_resources(resources)
        if not has_flat:
            raise Refuse(
                "no-flat-picture",
                "The file has layers, but no flat picture of them was saved with them, and what "
                "layers come to only the program knows that made them. Save it there with its "
                "flat picture included, or export it as a TIFF, and drop that.",
            )
        self._at, self._counts = self._find_pixels(layers.end, request)
        alpha = own if layers.has_transparency and self._channels > own else None
        left = self._channels - own - (alpha is not None)
        notes = []
        if left:
            plural = "s" if left > 1 else ""
            notes.append(
                f"The file has {left} extra channel{plural} (a mask or a spot colour); "
                "only the picture itself was taken."
            )
        if layers.are_there:
            notes.append(_LAYERED)
        self._used = own + (alpha is not None)
        self._layout = SampleLayout(
            encoding,
            bits=1 if depth == 1 else depth,
            inverted=mode in {0, 4},
            lab="icclab" if encoding is Encoding.LAB else None,
            palette=_palette(colour_map) if mode == 2 else None,
            alpha=alpha,
        )
        fitting = Fitting()
        if depth == 32:
            fitting = self._fit(own, request)
            self._layout = replace(self._layout, scale=fitting.scale)
            notes += fitting.notes
        header = make_header(
            "PSB" if self._is_large else "PSD", (width_px, height_px), depth, encoding, blocks,
            request.limits, has_alpha=alpha is not None, notes=notes,
            harmless=frozenset({_LAYERED}),
        )  # fmt: skip
        self.header = replace(header, cut_share=fitting.cut_share, cut_above=fitting.cut_above)

    def rows(self, start: int, stop: int) -> Rows:
        """See `RowSource`."""
        return to_rows(self._stored(start, stop), self._layout)

    def close(self) -> None:
        """See `RowSource`."""

    def _fit(self, own: int, request: Request) -> Fitting:
        step = rows_per_band(self._width_px)
        outside = count_outside(
            self._stored(start, min(self._height_px, start + step))[..., :own]
            for start in range(0, self._height_px, step)
        )
        return fit(outside, request.reading)

    def _stored(self, start: int, stop: int) -> Stored:
        """Samples of rows ``start`` … ``stop - 1``: shape (rows, width, samples)."""
        planes = [self._plane(each, start, stop) for each in range(self._used)]
        stored = np.stack(planes, axis=-1)
        return _without_white(stored) if self._layout.alpha is not None else stored

    def _plane(self, channel: int, start: int, stop: int) -> Stored:
        first = channel * self._height_px + start
        rows, row_bytes = stop - start, self._row_bytes
        if self._counts is None:
            packed = np.empty((rows, row_bytes), np.uint8)
            self._file.read_into(self._at + first * row_bytes, packed)
        else:
            ends = self._counts[first : first + rows + 1]
            data = self._file.read(self._at + int(ends[0]), int(ends[-1] - ends[0]))
            packed = np.empty((rows, row_bytes), np.uint8)
            for index in range(rows):
                piece = data[int(ends[index] - ends[0]) : int(ends[index + 1] - ends[0])]
                with translated(f"the row {start + index}"):
                    row = imagecodecs.packbits_decode(piece)
                    packed[index] = np.frombuffer(row, np.uint8)
        if self._depth == 1:
            return np.unpackbits(packed, axis=-1)[:, : self._width_px]
        plane: Stored = packed.view(self._dtype).astype(self._dtype.newbyteorder("="))
        return plane

    def _section(self, at: int) -> tuple[bytes, int]:
        """Read a section that a length of four bytes begins; and where the next is."""
        size = int.from_bytes(self._file.read(at, 4), "big")
        if at + 4 + size > self._file.size:
            raise cut_short("it ends within its description")
        return self._file.read(at + 4, size), at + 4 + size

    def _read_layers(self, at: int) -> _Layers:
        wide = 8 if self._is_large else 4
        head = self._file.read(at, wide)
        end = at + wide + int.from_bytes(head, "big")
        if len(head) < wide or end > self._file.size:
            raise cut_short("it ends within its layers")
        if end == at + wide:
            return _Layers(are_there=False, has_transparency=False, end=end)
        size = int.from_bytes(self._file.read(at + wide, wide), "big")
        inside = at + 2 * wide
        count = struct.unpack(">h", self._file.read(inside, 2))[0] if size >= 2 else 0
        if size >= 2:
            return _Layers(are_there=count != 0, has_transparency=count < 0, end=end)
        # with 16 and 32 bits the layers stand in a block of their own, behind the masks
        masks = inside + size
        masks += 4 + int.from_bytes(self._file.read(masks, 4), "big")
        are_there = has_transparency = False
        for kind, start in self._blocks(masks, end):
            if kind in {b"Mtrn", b"Mt16", b"Mt32"}:
                has_transparency = True
            elif kind in {b"Lr16", b"Lr32"}:
                raw = self._file.read(start, 2)
                count = struct.unpack(">h", raw)[0] if len(raw) == 2 else 0
                are_there, has_transparency = count != 0, has_transparency or count < 0
        return _Layers(are_there, has_transparency, end)

    def _blocks(self, at: int, end: int) -> Iterator[tuple[bytes, int]]:
        """Blocks with more about the layers: their keys, and where their contents are."""
        long_keys = {b"LMsk", b"Lr16", b"Lr32", b"Layr", b"Mt16", b"Mt32", b"Mtrn", b"Alph",
                     b"FMsk", b"lnk2", b"FEid", b"FXid", b"PxSD"}  # fmt: skip
        for _ in range(_MOST_RESOURCES):
            head = self._file.read(at, 8)
            if at + 12 > end or head[:4] not in {b"8BIM", b"8B64"}:
                return
            wide = 8 if self._is_large and head[4:] in long_keys else 4
            size = int.from_bytes(self._file.read(at + 8, wide), "big")
            yield head[4:], at + 8 + wide
            at += 8 + wide + size + (-size) % 4

    def _find_pixels(self, at: int, request: Request) -> tuple[int, NDArray[np.int64] | None]:
        """Where the flat picture's bytes begin, and of runs where each row ends among them."""
        head = self._file.read(at, 2)
        if len(head) < 2:
            raise cut_short("its flat picture is missing")
        compression = int.from_bytes(head, "big")
        rows = self._height_px * self._channels
        if compression == _RAW:
            if at + 2 + rows * self._row_bytes > self._file.size:
                raise cut_short("the picture's last rows are missing")
            return at + 2, None
        if compression != _RUNS:
            raise _unsupported("with a compression that is not read here")
        width = 4 if self._is_large else 2
        check_whole(rows * 8, request.limits, "The list of the file's rows")
        table = self._file.read(at + 2, rows * width)
        if len(table) < rows * width:
            raise cut_short("the list of its rows is missing")
        counts = np.frombuffer(table, f">u{width}").astype(np.int64)
        ends = np.concatenate([[0], np.cumsum(counts)])
        start = at + 2 + rows * width
        if start + int(ends[-1]) > self._file.size:
            raise cut_short("the picture's last rows are missing")
        return start, ends


def _read_resources(data: bytes) -> tuple[Blocks, bool]:
    """What the image resources say, and whether a flat picture was saved with the layers."""
    blocks, has_flat = Blocks(), True
    at = 0
    for _ in range(_MOST_RESOURCES):
        if data[at : at + 4] != b"8BIM" or at + 12 > len(data):
            break
        number = struct.unpack_from(">H", data, at + 4)[0]
        name_bytes = 1 + data[at + 6]
        at += 6 + name_bytes + name_bytes % 2
        size = int.from_bytes(data[at : at + 4], "big")
        content = data[at + 4 : at + 4 + size]
        at += 4 + size + size % 2
        match number:
            case 1005 if len(content) >= 16:
                across, down = struct.unpack_from(">I4xI", content)
                blocks.density = across / 65536, down / 65536
            case 1028:
                blocks.iptc = content
            case 1039:
                blocks.icc = content
            case 1057 if len(content) >= 5:
                has_flat = bool(content[4])
            case 1058:
                blocks.exif = content
            case 1060:
                blocks.xmp = content
    return blocks, has_flat


def _palette(colour_map: bytes) -> NDArray[np.uint16]:
    if len(colour_map) != 768:
        raise Refuse("damaged", f"The file is damaged: its palette is missing. {TRY_AGAIN}")
    planes = np.frombuffer(colour_map, np.uint8).reshape(3, 256)
    return (planes.T.astype(np.uint16) * 257).astype(np.uint16)


def _without_white(stored: Stored) -> Stored:
    """Take the white away that a flat picture with transparency is laid on.

    It is saved as it looks on white (all channels at their highest; of Lab, the colour channels in
    the middle), so that ``colour = (saved - (1 - alpha) white) / alpha``.
    """
    top = 1.0 if stored.dtype.kind == "f" else float(np.iinfo(stored.dtype).max)
    colour, alpha = stored[..., :-1].astype(np.float64), stored[..., -1:].astype(np.float64) / top
    with np.errstate(divide="ignore", invalid="ignore"):
        alone = (colour - (1 - alpha) * top) / alpha
    alone = np.where(alpha > 0, alone, colour)
    if stored.dtype.kind != "f":
        alone = np.rint(np.clip(alone, 0, top))
    return np.concatenate([alone.astype(stored.dtype), stored[..., -1:]], axis=-1)


def _unsupported(how: str) -> Refuse:
    return Refuse(
        "unsupported",
        f"The file is stored {how}, which cannot be read here. Convert it to RGB, grey or CMYK "
        "with 8 or 16 bits per channel, save it flat or as a TIFF, and drop that.",
    )
