"""Small files of the formats that a library or a few lines write, for tests and the fuzz."""

from __future__ import annotations

import io
import struct
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from PIL import Image

JXL_HEAD = b"\0\0\0\x0cJXL \r\n\x87\n" + b"\0\0\0\x14ftypjxl \0\0\0\0jxl "
XMP_UUID = bytes.fromhex("be7acfcb97a942e89c71999491e3afac")


def saved(image: Image.Image, name: str, **options: Any) -> bytes:
    """What Pillow writes."""
    out = io.BytesIO()
    image.save(out, name, **options)
    return out.getvalue()


def box(kind: bytes, content: bytes) -> bytes:
    """A box of ISO/IEC 14496-12."""
    return struct.pack(">I4s", 8 + len(content), kind) + content


def long_box(kind: bytes, content: bytes) -> bytes:
    """A box with its length in 64 bits, behind its type (ISO/IEC 14496-12, 4.2.2)."""
    return struct.pack(">I4sQ", 1, kind, 16 + len(content)) + content


def last_box(kind: bytes, content: bytes) -> bytes:
    """A box without a length, which goes to the end of the file."""
    return struct.pack(">I4s", 0, kind) + content


def jxl_container(codestream: bytes, *boxes: bytes) -> bytes:
    """A JPEG XL with metadata."""
    return JXL_HEAD + b"".join(boxes) + box(b"jxlc", codestream)


def jxl(stored: NDArray[Any], *boxes: bytes, **options: Any) -> bytes:
    """A lossless JPEG XL; with boxes, in a container of ours."""
    data = imagecodecs.jpegxl_encode(stored, lossless=True, usecontainer=False, **options)
    return jxl_container(data, *boxes) if boxes else data


def exr(channels: dict[str, NDArray[Any]], path: Any, **header: Any) -> bytes:
    """What the OpenEXR project's own library writes."""
    import OpenEXR

    said = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage, **header}
    own = {name: np.ascontiguousarray(each) for name, each in channels.items()}
    OpenEXR.File(said, own).write(str(path))
    return path.read_bytes()


def psd(
    stored: NDArray[Any],
    mode: int,
    *,
    runs: bool = False,
    large: bool = False,
    layers: int | None = None,
    has_flat: bool = True,
    palette: bytes = b"",
    resources: dict[int, bytes] | None = None,
    in_block: bool = False,
) -> bytes:
    """A PSD or PSB as its published layout says; layers: how many, negative with transparency."""
    height, width, channels = stored.shape
    depth = 1 if stored.dtype == bool else stored.dtype.itemsize * 8
    out = struct.pack(
        ">4sH6xHIIHH", b"8BPS", 2 if large else 1, channels, height, width, depth, mode
    )
    out += struct.pack(">I", len(palette)) + palette
    said = {1057: struct.pack(">IB", 1, has_flat), **(resources or {})}
    packed = b"".join(
        b"8BIM" + struct.pack(">HHI", number, 0, len(content)) + content + bytes(len(content) % 2)
        for number, content in said.items()
    )
    out += struct.pack(">I", len(packed)) + packed
    length = ">Q" if large else ">I"
    section = b""
    if layers is not None:
        inside = struct.pack(">hh", layers, 0)
        if in_block:
            section = struct.pack(length, 0) + struct.pack(">I", 0)
            section += b"8BIMLr16" + struct.pack(length, len(inside)) + inside
        else:
            section = struct.pack(length, len(inside)) + inside + struct.pack(">I", 0)
    out += struct.pack(length, len(section)) + section
    planes = np.moveaxis(stored, -1, 0)
    if depth == 1:
        rows = np.packbits(planes, axis=-1)
    else:
        rows = planes.astype(stored.dtype.newbyteorder(">"))
    if not runs:
        return out + struct.pack(">H", 0) + rows.tobytes()
    lines = [imagecodecs.packbits_encode(row.tobytes()) for plane in rows for row in plane]
    counts = b"".join(struct.pack(">I" if large else ">H", len(line)) for line in lines)
    return out + struct.pack(">H", 1) + counts + b"".join(lines)
