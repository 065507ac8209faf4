"""JPEG 2000 files (ISO/IEC 15444-1 and -2): JP2 boxes or a bare codestream, through OpenJPEG."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field, replace
from functools import partial

import imagecodecs

from hotfolder.errors import Refuse
from hotfolder.model.encoding import Encoding
from hotfolder.raster import colour_tags
from hotfolder.raster.boxes import walk_boxes
from hotfolder.raster.foreign import cut_short
from hotfolder.raster.headers import Blocks, make_header
from hotfolder.raster.original_file import OriginalFile
from hotfolder.raster.samples import SampleLayout
from hotfolder.raster.source import Request, check_page, check_size, check_whole
from hotfolder.raster.whole import WholeSource

_SIGNATURE = b"\0\0\0\x0cjP  \r\n\x87\n"
_CODESTREAM = b"\xff\x4f\xff\x51"
_END = b"\xff\xd9"
_WORKING_PER_SAMPLE = 7
"""Bytes in use for each sample (measured: 5 to 6 of a picture of 12 megapixels)."""
_XMP = bytes.fromhex("be7acfcb97a942e89c71999491e3afac")
_EXIF = b"JpgTiffExif->JP2"
_IPTC = bytes.fromhex("33c7a4d2b81d4723a0baf1a3e097ad38")
_METRES_PER_INCH = 0.0254
_ENUMERATED = {16: (1, 13), 17: (1, 13)}
"""EnumCS 16 is sRGB, 17 grey with its curve (ISO/IEC 15444-1, table I.10), as H.273 codes them."""
_CMYK = 12


@dataclass
class _Boxes:
    """What the boxes say."""

    codestream: bytes | None = None
    enumerated: int | None = None
    channels: list[tuple[int, int, int]] = field(default_factory=list)
    """Of cdef: channel, type, association."""
    palette: bytes | None = None
    blocks: Blocks = field(default_factory=Blocks)


@dataclass(frozen=True)
class _Size:
    """What the SIZ marker says (A.5.1)."""

    width_px: int
    height_px: int
    components: tuple[tuple[int, int, int], ...]
    """Bits less one, with the sign in the highest; steps across and down."""


def is_jpeg_2000(head: bytes) -> bool:
    """Tell by its first bytes whether a file is a JPEG 2000."""
    return head.startswith((_SIGNATURE, _CODESTREAM))


def open_jpeg_2000(file: OriginalFile, request: Request) -> WholeSource:
    """Read what a JPEG 2000 says about its picture; see `source.RowSource`.

    Raises
    ------
    Refuse
        ``damaged``, ``unsupported`` or ``too-large``.
    Hold
        ``no-such-page``.
    """
    check_whole(file.size, request.limits, "The JPEG 2000 file")
    data = file.read(0, file.size)
    check_page(1, request.reading)
    found = _Boxes(codestream=data) if data.startswith(_CODESTREAM) else _read_boxes(data)
    if found.codestream is None:
        raise cut_short("it has no picture in it")
    size = _read_size(found.codestream)
    bits = _check_components(size, found)
    count = len(size.components)
    if found.palette is not None and count == 1:
        count, bits = found.palette[2], max((each & 0x7F) + 1 for each in found.palette[3:])
        bits = 16 if bits > 8 else 8
    encoding = _encoding(found, count)
    alpha_at, associated = _alpha(found, encoding, count)
    decoded = size.width_px * size.height_px * count * (1 if bits <= 8 else 2)
    check_size(size.width_px, size.height_px, decoded, file.size, request.limits)
    needed = size.width_px * size.height_px * count * _WORKING_PER_SAMPLE
    check_whole(needed, request.limits, "The JPEG 2000 picture")
    notes = []
    if (others := count - encoding.channels - (alpha_at is not None)) > 0:
        plural = "s" if others > 1 else ""
        notes.append(
            f"The file has {others} extra channel{plural} (a mask or a spot colour); "
            "only the picture itself was taken."
        )
    if found.blocks.icc is None and found.enumerated in _ENUMERATED:
        code_points = bytes((*_ENUMERATED[found.enumerated], 0, 1))
        stated = colour_tags.from_code_points(code_points, encoding)
        note = f"The file says that its colours are sRGB (EnumCS {found.enumerated})."
        found.blocks.stated = replace(stated, note=note)
    header = make_header(
        "JPEG 2000", (size.width_px, size.height_px), bits, encoding, found.blocks,
        request.limits, has_alpha=alpha_at is not None, notes=notes,
    )  # fmt: skip
    layout = SampleLayout(encoding, bits=bits, alpha=alpha_at, associated=associated)
    decode = partial(imagecodecs.jpeg2k_decode, data, numthreads=2)
    return WholeSource(header, layout, count, decode, "the JPEG 2000 picture")


def _read_boxes(data: bytes) -> _Boxes:
    found = _Boxes()
    for box in walk_boxes(data):
        if box.end > len(data):
            raise cut_short("the end of the JPEG 2000 picture is missing")
        match box.type:
            case b"jp2h":
                _read_header(data[box.start : box.end], found)
            case b"jp2c" if found.codestream is None:
                found.codestream = data[box.start : box.end]
            case b"uuid":
                content = box.content(data)
                kind, body = content[:16], content[16:]
                if kind == _XMP:
                    found.blocks.xmp = body
                elif kind == _EXIF:
                    found.blocks.exif = body
                elif kind == _IPTC:
                    found.blocks.iptc = body
                else:
                    found.blocks.left_out.add("a JPEG 2000 box of another program")
            case b"xml ":
                found.blocks.left_out.add("XML in a JPEG 2000 box")
    return found


def _read_header(data: bytes, found: _Boxes) -> None:
    for box in walk_boxes(data):
        content = box.content(data)
        match box.type:
            case b"colr" if len(content) > 3:
                # I.5.3.3: the method, then precedence and approximation
                if content[0] == 1 and len(content) >= 7 and found.enumerated is None:
                    found.enumerated = struct.unpack_from(">I", content, 3)[0]
                elif content[0] in {2, 3} and found.blocks.icc is None:
                    found.blocks.icc = content[3:]
            case b"cdef" if len(content) >= 2:
                count = min(int.from_bytes(content[:2], "big"), (len(content) - 2) // 6)
                found.channels = [
                    struct.unpack_from(">HHH", content, 2 + 6 * each) for each in range(count)
                ]
            case b"pclr" if len(content) > 3 and content[2]:
                found.palette = content[: 3 + content[2]]
            case b"res ":
                for inner in walk_boxes(content):
                    if inner.type in {b"resc", b"resd"}:
                        _read_resolution(inner.content(content), found)


def _read_resolution(content: bytes, found: _Boxes) -> None:
    """Read pixels per metre down and across, as fractions with powers of ten (I.5.3.7)."""
    if len(content) < 10:
        return
    over_y, under_y, over_x, under_x, power_y, power_x = struct.unpack_from(">4H2b", content)
    if under_x and under_y and max(abs(power_x), abs(power_y)) < 20:
        across = over_x / under_x * 10.0**power_x * _METRES_PER_INCH
        down = over_y / under_y * 10.0**power_y * _METRES_PER_INCH
        found.blocks.density = across, down


def _read_size(codestream: bytes) -> _Size:
    if not codestream.startswith(_CODESTREAM) or len(codestream) < 42:
        raise cut_short("it has only the start of a header")
    if _END not in codestream[-65536:]:
        raise cut_short("the end of the JPEG 2000 picture is missing")
    right, bottom, left, top = struct.unpack_from(">4I", codestream, 8)
    count = struct.unpack_from(">H", codestream, 40)[0]
    sizes = codestream[42 : 42 + 3 * count]
    if len(sizes) < 3 * count or not count:
        raise cut_short("it has only the start of a header")
    components = tuple((sizes[at], sizes[at + 1], sizes[at + 2]) for at in range(0, 3 * count, 3))
    return _Size(max(0, right - left), max(0, bottom - top), components)


def _check_components(size: _Size, found: _Boxes) -> int:
    """Bits per channel, of a picture that can be read."""
    depths = {depth for depth, _, _ in size.components}
    bits = (min(depths) & 0x7F) + 1
    if found.enumerated in {18, 24, 1, 3, 4}:
        raise _unsupported("as luminance and colour differences")
    if any((across, down) != (1, 1) for _, across, down in size.components):
        raise _unsupported("with channels of different sizes")
    if len(depths) != 1:
        raise _unsupported("with different numbers of bits per channel")
    if min(depths) & 0x80:
        raise _unsupported("as signed numbers")
    if bits > 16:
        raise _unsupported(f"with {bits} bits per channel")
    return bits


def _encoding(found: _Boxes, count: int) -> Encoding:
    profile = found.blocks.icc
    if (profile is not None and profile[16:20] == b"CMYK") or found.enumerated == _CMYK:
        if count < 4:
            raise _unsupported("as CMYK with too few channels")
        return Encoding.CMYK
    if found.enumerated == 14 or (profile is not None and profile[16:20] == b"Lab "):
        raise _unsupported("as Lab")
    return Encoding.GREY if count < 3 else Encoding.RGB


def _alpha(found: _Boxes, encoding: Encoding, count: int) -> tuple[int | None, bool]:
    """Which sample is the alpha plane, and whether the colours are multiplied by it (I.5.3.6)."""
    for channel, kind, association in found.channels:
        if kind in {1, 2} and association == 0 and encoding.channels <= channel < count:
            return channel, kind == 2
    return None, False


def _unsupported(how: str) -> Refuse:
    return Refuse(
        "unsupported",
        f"The JPEG 2000 is stored {how}, which cannot be read here. "
        "Save it as a TIFF with 8 or 16 bits per channel and drop that.",
    )
