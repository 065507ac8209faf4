"""What a file is that no reader takes: named by its content, with what to export instead.

Nothing is opened for it: only the first bytes are looked at, and a name never counts.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from hotfolder.errors import Refuse
from hotfolder.raster.boxes import brands, major_brand

HEAD_BYTES: Final = 4096
"""So many of the first bytes are enough."""

_PICTURE = (
    "Export the picture as a TIFF with 16 bits per channel and its profile embedded, and drop that."
)
_RAW = "Develop it first, export it as a TIFF with its profile embedded, and drop that."
_ZIP, _OLE = b"PK\3\4", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_VIDEO_BRANDS = frozenset({
    b"isom", b"iso2", b"iso4", b"iso5", b"iso6", b"mp41", b"mp42", b"mp71", b"avc1", b"qt  ",
    b"M4V ", b"M4VP", b"3gp4", b"3gp5", b"3gp6", b"3g2a", b"dash", b"XAVC", b"f4v ", b"mmp4",
})  # fmt: skip
_AUDIO_BRANDS = frozenset({b"M4A ", b"M4B "})
_XMP = re.compile(rb"<x:xmpmeta|<rdf:RDF|<\?xpacket")


@dataclass(frozen=True)
class Stranger:
    """A kind of file that is no original."""

    name: str
    """What it is, with its article."""
    do: str
    """What to do instead."""
    matches: Callable[[bytes], bool]
    """Tells it by its first bytes."""


def _starts(*beginnings: bytes) -> Callable[[bytes], bool]:
    return lambda head: head.startswith(beginnings)


def _at(offset: int, *marks: bytes) -> Callable[[bytes], bool]:
    return lambda head: any(head[offset : offset + len(mark)] == mark for mark in marks)


def _riff(kind: bytes) -> Callable[[bytes], bool]:
    return lambda head: head[:4] in {b"RIFF", b"RF64"} and head[8:12] == kind


def _zip_with(*parts: bytes) -> Callable[[bytes], bool]:
    return lambda head: head.startswith(_ZIP) and any(part in head for part in parts)


def _is_video(head: bytes) -> bool:
    if head[4:8] in {b"moov", b"mdat", b"wide", b"pnot"}:
        return True
    return bool(brands(head) & _VIDEO_BRANDS) and major_brand(head) not in _AUDIO_BRANDS


def _is_svg(head: bytes) -> bool:
    return head.lstrip()[:1] == b"<" and b"<svg" in head


def _is_xmp(head: bytes) -> bool:
    start = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    return start.startswith(b"<") and _XMP.search(head) is not None


def _is_page(head: bytes) -> bool:
    start = head.lstrip()[:64].lower()
    return start.startswith((b"<!doctype html", b"<html"))


def _is_text(head: bytes) -> bool:
    whole = head if len(head) < HEAD_BYTES else head[:-4]  # a character may be cut
    try:
        text = whole.decode("utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError:
        return False
    return all(each.isprintable() or each in "\r\n\t\f" for each in text)


STRANGERS: Final = (
    Stranger(
        "a camera's raw file",
        _RAW,
        lambda head: (
            head.startswith(
                (
                    b"FUJIFILMCCD-RAW",
                    b"IIU\0",
                    b"IIRO",
                    b"IIRS",
                    b"MMOR",
                    b"FOVb",
                    b"\0MRM",
                )
            )
            or (head.startswith(b"II*\0") and head[8:10] == b"CR")
            or b"crx " in brands(head)
        ),
    ),
    Stranger(
        "a PDF document",
        "Export the picture in it, or its page, as a TIFF with its profile embedded, and drop "
        "that.",
        lambda head: b"%PDF-" in head[:1024],
    ),
    Stranger(
        "a PostScript document",
        "Export its page as a TIFF with its profile embedded, and drop that.",
        _starts(b"%!PS", b"\xc5\xd0\xd3\xc6"),
    ),
    Stranger("an animated or palette picture (GIF)", _PICTURE, _starts(b"GIF87a", b"GIF89a")),
    Stranger(
        "a bitmap picture (BMP)",
        _PICTURE,
        lambda head: head[:2] == b"BM" and head[6:10] == bytes(4),
    ),
    Stranger("an icon", _PICTURE, _starts(b"\0\0\1\0", b"icns")),
    Stranger("a JPEG XR picture", _PICTURE, _starts(b"II\xbc\1")),
    Stranger(
        "a Radiance HDR picture",
        "Export the picture as an OpenEXR or a floating-point TIFF, and drop that.",
        _starts(b"#?RADIANCE", b"#?RGBE"),
    ),
    Stranger(
        "a picture for film scanners (DPX or Cineon)",
        "Export the picture as an OpenEXR or a TIFF with its profile embedded, and drop that.",
        _starts(b"SDPX", b"XPDS", b"\x80\x2a\x5f\xd7"),
    ),
    Stranger(
        "a picture of an instrument (FITS or DICOM)",
        _PICTURE,
        lambda head: head.startswith(b"SIMPLE  =") or head[128:132] == b"DICM",
    ),
    Stranger("a drawing (SVG)", _PICTURE, _is_svg),
    Stranger(
        "an image editor's file with layers",
        _PICTURE,
        lambda head: head[4:9] == b" xcf " or _zip_with(b"image/openraster")(head),
    ),
    Stranger(
        "an office document",
        "Export the picture in it as a TIFF or JPEG with its profile embedded, and drop that.",
        lambda head: (
            head.startswith((_OLE, b"{\\rtf"))
            or _zip_with(
                b"[Content_Types].xml",
                b"application/vnd.oasis.opendocument",
                b"word/",
                b"xl/",
                b"ppt/",
            )(head)
        ),
    ),
    Stranger(
        "an e-book",
        "Export the picture in it as a TIFF or JPEG, and drop that.",
        _zip_with(b"application/epub+zip"),
    ),
    Stranger(
        "an archive",
        "Unpack it, and drop the pictures that are in it.",
        lambda head: (
            head.startswith(
                (
                    _ZIP,
                    b"PK\5\6",
                    b"7z\xbc\xaf\x27\x1c",
                    b"Rar!\x1a\7",
                    b"\x1f\x8b",
                    b"BZh",
                    b"\xfd7zXZ\0",
                    b"\x28\xb5\x2f\xfd",
                    b"\x04\x22\x4d\x18",
                )
            )
            or head[257:262] == b"ustar"
        ),
    ),
    Stranger(
        "a video",
        "Export the frame that is meant as a TIFF with its profile embedded, and drop that.",
        lambda head: (
            _is_video(head)
            or _riff(b"AVI ")(head)
            or head.startswith(
                (
                    b"\x1aE\xdf\xa3",
                    b"FLV\1",
                    b"0&\xb2u\x8ef\xcf\x11",
                    b"\0\0\1\xba",
                    b"\0\0\1\xb3",
                    b"\6\x0e\x2b\x34",
                )
            )
            or (head[:1] == b"G" and head[188:189] == b"G" and head[376:377] == b"G")
        ),
    ),
    Stranger(
        "a sound",
        "Drop a picture.",
        lambda head: (
            _riff(b"WAVE")(head)
            or head.startswith((b"ID3", b"fLaC", b"OggS", b"FORM"))
            or major_brand(head) in _AUDIO_BRANDS
        ),
    ),
    Stranger(
        "an ICC profile",
        "Put it into the root's folder profiles/, and drop a picture here.",
        _at(36, b"acsp"),
    ),
    Stranger(
        "an XMP sidecar",
        "It goes beside its picture, under the picture's name with .xmp at the end.",
        _is_xmp,
    ),
    Stranger(
        "a web page",
        "Save the picture itself, not the page that shows it, and drop that.",
        _is_page,
    ),
    Stranger(
        "a program",
        "Drop a picture.",
        _starts(b"\x7fELF", b"MZ", b"\xcf\xfa\xed\xfe", b"\xca\xfe\xba\xbe"),
    ),
    Stranger("a text", "Drop a picture.", _is_text),
)
"""Kinds of files, in the order in which they are looked for."""


def refuse_stranger(head: bytes, readable: str) -> Refuse:
    """Say what a file is that no reader takes.

    Parameters
    ----------
    head
        Its first `HEAD_BYTES`.
    readable
        The formats that are read, as a list in words.

    Returns
    -------
    ``not-a-picture``; the caller raises it.
    """
    for stranger in STRANGERS:
        if stranger.matches(head):
            return Refuse(
                "not-a-picture",
                f"The file is {stranger.name}, by its content. {stranger.do}",
            )
    return Refuse(
        "not-a-picture",
        f"The file is no picture that is known here, whatever its name says. Read are {readable}. "
        "Export the picture as one of these and drop that.",
    )
