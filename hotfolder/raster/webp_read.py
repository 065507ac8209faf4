"""WebP files: their RIFF chunks, and their pixels through libwebp (RFC 9649)."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from functools import partial

import imagecodecs

from hotfolder.errors import Refuse
from hotfolder.model.encoding import Encoding
from hotfolder.raster.foreign import TRY_AGAIN, cut_short
from hotfolder.raster.headers import Blocks, make_header
from hotfolder.raster.original_file import OriginalFile
from hotfolder.raster.samples import SampleLayout
from hotfolder.raster.source import Request, check_page, check_size, check_whole, say_page
from hotfolder.raster.whole import WholeSource

_MOST_CHUNKS = 100_000
_WORKING = 2.5
"""Memory in use over that of the decoded pixels (measured: 2.4 at 12 megapixels)."""
_ALPHA = 0x10
"""Flag of VP8X (RFC 9649, 2.7.1)."""


def is_webp(head: bytes) -> bool:
    """Tell by its first bytes whether a file is a WebP."""
    return head[:4] == b"RIFF" and head[8:12] == b"WEBP"


def open_webp(file: OriginalFile, request: Request) -> WholeSource:
    """Read what a WebP says about its picture; see `source.RowSource`.

    Raises
    ------
    Refuse
        ``damaged`` or ``too-large``.
    Hold
        ``no-such-page``.
    """
    check_whole(file.size, request.limits, "The WebP file")
    data = file.read(0, file.size)
    blocks = Blocks()
    size_px: tuple[int, int] | None = None
    has_alpha, frames = False, 0
    for kind, content in chunks(data):
        match kind:
            case b"VP8X" if len(content) >= 10:
                has_alpha = bool(content[0] & _ALPHA)
                size_px = 1 + _u24(content, 4), 1 + _u24(content, 7)
            case b"VP8 " | b"VP8L" if size_px is None:
                size_px, has_alpha = _still(kind, content)
            case b"ANMF":
                frames += 1
            case b"ICCP":
                blocks.icc = content
            case b"EXIF":
                blocks.exif = content
            case b"XMP ":
                blocks.xmp = content
    if size_px is None:
        raise Refuse("damaged", f"The file is damaged: the WebP has no header. {TRY_AGAIN}")
    index = check_page(max(1, frames), request.reading)
    notes: list[str] = []
    asked_for = say_page(max(1, frames), index, notes)
    samples = 3 + has_alpha
    decoded = size_px[0] * size_px[1] * samples
    check_size(*size_px, decoded, file.size, request.limits)
    check_whole(int(decoded * _WORKING), request.limits, "The WebP picture")
    header = make_header(
        "WebP", size_px, 8, Encoding.RGB, blocks, request.limits,
        has_alpha=has_alpha, pages=max(1, frames), notes=notes, harmless=asked_for,
    )  # fmt: skip
    layout = SampleLayout(Encoding.RGB, bits=8, alpha=3 if has_alpha else None)
    decode = partial(imagecodecs.webp_decode, data, index=index, hasalpha=has_alpha)
    return WholeSource(header, layout, samples, decode, "the WebP picture")


def chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """All chunks of a RIFF file with their contents (RFC 9649, 2.3 and 2.4).

    Raises
    ------
    Refuse
        When the file ends before its last chunk does.
    """
    end = 8 + int.from_bytes(data[4:8], "little")
    at = 12
    for _ in range(_MOST_CHUNKS):
        if at + 8 > end:
            break
        kind = data[at : at + 4]
        size = int.from_bytes(data[at + 4 : at + 8], "little")
        content = data[at + 8 : at + 8 + size]
        if len(content) < size or not kind:
            raise cut_short("the end of the WebP picture is missing")
        yield kind, content
        at += 8 + size + size % 2


def _still(kind: bytes, content: bytes) -> tuple[tuple[int, int], bool]:
    """Size and alpha of a bitstream without VP8X (RFC 6386, 9.1; RFC 9649, 3.4)."""
    if kind == b"VP8 " and len(content) >= 10 and content[3:6] == b"\x9d\x01\x2a":
        width, height = struct.unpack_from("<HH", content, 6)
        return (width & 0x3FFF, height & 0x3FFF), False
    if kind == b"VP8L" and len(content) >= 5 and content[0] == 0x2F:
        bits = int.from_bytes(content[1:5], "little")
        return (1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF)), bool(bits >> 28 & 1)
    raise Refuse("damaged", f"The file is damaged: the WebP has no picture header. {TRY_AGAIN}")


def _u24(data: bytes, at: int) -> int:
    return int.from_bytes(data[at : at + 3], "little")
