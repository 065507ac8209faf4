"""What the reader of one file format hands to `hotfolder.raster.reading`."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.spaces import Primaries
from hotfolder.errors import Hold, Refuse, Remedy
from hotfolder.model.destination import Reading
from hotfolder.model.encoding import Encoding
from hotfolder.raster.foreign import TRY_AGAIN
from hotfolder.raster.picture import Metadata

SQUARE_WITHIN = 0.01
"""By what share the sides of a pixel may differ; rounded resolutions do. Our own bound."""

Format = Literal[
    "TIFF", "JPEG", "PNG", "JPEG XL", "AVIF", "HEIC", "WebP", "JPEG 2000", "OpenEXR", "PSD", "PSB"
]

Rows = tuple[NDArray[np.uint16], NDArray[np.uint16] | None]
"""Pixels (rows, width, channels) and alpha (rows, width) or None, coded as in a `Band`."""


@dataclass(frozen=True)
class ReadLimits:
    """What a file may ask for before any of its pixels is decoded."""

    max_pixels: int = 2_000_000_000
    """Width times height."""
    max_whole_bytes: int = 2 * 2**30
    """Memory for a picture that has to be in it as a whole (all but TIFF, PSD and OpenEXR; of a
    TIFF, one compressed segment)."""
    max_ratio: float = 3000.0
    """Decoded bytes per byte of file, looked at only above ratio_free_bytes; deflate reaches
    1032 at most, LZW 2731."""
    ratio_free_bytes: int = 256 * 2**20
    max_profile_bytes: int = 16 * 2**20
    """Larger ones are left out, and said."""
    max_xmp_bytes: int = 8 * 2**20
    """Larger ones are left out, and said."""
    max_metadata_bytes: int = 8 * 2**20
    """Larger ones are left out, and said."""


@dataclass(frozen=True)
class Request:
    """What a reader is asked with, beside the file."""

    limits: ReadLimits
    """What the file may ask for."""
    reading: Reading
    """What a person has chosen where the file leaves a choice."""
    scratch: Path
    """A folder for temporary files."""


@dataclass(frozen=True)
class HighDynamicRange:
    """How the numbers of a picture mean light (ITU-R BT.2100): see `light`."""

    transfer: Literal["PQ", "HLG"]
    """Its curve."""
    space: str
    """Name of its primaries."""
    primaries: Primaries
    """Its primaries."""
    code: str
    """Its code points, as people say them: ``"9-16-0-1"``."""


@dataclass(frozen=True)
class Header:
    """What a file says about its picture before any pixel is decoded."""

    format: Format
    bits: int
    """Per channel in the file."""
    width_px: int
    """As stored, before `orientation` (Exif 2.32, 4.6.4 A: 1 … 8) is applied."""
    height_px: int
    """As stored, before `orientation` (Exif 2.32, 4.6.4 A: 1 … 8) is applied."""
    encoding: Encoding
    has_alpha: bool = False
    orientation: int = 1
    ppi: float = 0.0
    """0.0 when the file does not say."""
    pixel_aspect: float = 1.0
    """Width of a pixel over its height, as stored; 1.0 when the file does not say."""
    cut_share: float = 0.0
    """Share of the colour values, 0 … 1, that no code can hold: floats outside the range, or
    that are no numbers; without those that a person has said may be cut."""
    cut_above: float = 0.0
    """Those of them that are above white."""
    high_dynamic_range: HighDynamicRange | None = None
    """Its numbers mean light above white, too; None: they do not."""
    icc: bytes | None = None
    """The embedded profile's bytes, unchecked."""
    icc_problem: str = ""
    """Why there are none although there should be."""
    icc_implied: bytes | None = None
    """A profile for what the file says of its colours elsewhere, if it embeds none."""
    metadata: Metadata = field(default_factory=Metadata)
    pages: int = 1
    notes: tuple[str, ...] = ()
    harmless: frozenset[str] = frozenset()
    """Those of them that say what the file is, and nothing that people should look at."""


class RowSource(Protocol):
    """Random access to the rows of one picture, as stored."""

    header: Header

    def rows(self, start: int, stop: int) -> Rows:
        """Rows ``start`` … ``stop - 1``.

        Raises
        ------
        Refuse
            When they cannot be decoded.
        """

    def close(self) -> None:
        """Give back threads and memory; the file itself belongs to the caller."""


def check_size(
    width_px: int, height_px: int, decoded_bytes: int, file_bytes: int, limits: ReadLimits
) -> None:
    """Refuse by header arithmetic what is too large, before anything is decoded.

    Raises
    ------
    Refuse
        ``damaged`` when a side is zero, ``too-large`` above a limit.
    """
    if width_px < 1 or height_px < 1:
        raise Refuse(
            "damaged", f"The file is damaged: it says that the picture has no pixels. {TRY_AGAIN}"
        )
    if width_px * height_px > limits.max_pixels:
        raise Refuse(
            "too-large",
            f"The file says that it holds {width_px} x {height_px} pixels; "
            f"the limit is {limits.max_pixels / 1e6:.0f} megapixels. "
            "Check that it was exported properly.",
        )
    ratio = decoded_bytes / max(1, file_bytes)
    if decoded_bytes > limits.ratio_free_bytes and ratio > limits.max_ratio:
        raise Refuse(
            "too-large",
            f"The file claims {width_px} x {height_px} pixels but has only {file_bytes} bytes, "
            "which no real picture has. Check that it was exported properly.",
        )


def check_whole(decoded_bytes: int, limits: ReadLimits, what: str) -> None:
    """Refuse what would need too much memory because it can only be decoded as a whole.

    decoded_bytes: of the pixels, and of what their codec needs beside them.

    Raises
    ------
    Refuse
        ``too-large``.
    """
    if decoded_bytes > limits.max_whole_bytes:
        raise Refuse(
            "too-large",
            f"{what} needs {decoded_bytes / 2**30:.1f} GiB of memory at once; "
            f"the limit is {limits.max_whole_bytes / 2**30:.1f} GiB, half of what a job may have "
            "(limits.memory of the destination). Save it as a TIFF with LZW compression or "
            "without compression, and drop it again; or raise that limit, if the machine has more.",
        )


def check_page(count: int, reading: Reading) -> int:
    """Return the index of the picture that is taken of `count`, from 0.

    Raises
    ------
    Hold
        ``no-such-page``.
    """
    if reading.page <= count:
        return reading.page - 1
    said = "one picture" if count == 1 else f"{count} pictures"
    raise Hold(
        "no-such-page",
        f"The file holds {said}, and number {reading.page} is asked for (reading.page). "
        "Export the one that is meant to a file of its own, or take another one.",
        remedies=[Remedy("take its first picture", settings={"reading.page": 1})],
    )


def say_page(count: int, index: int, notes: list[str]) -> frozenset[str]:
    """Say which of several pictures was taken; return that where a person has asked for it."""
    if count == 1:
        return frozenset()
    which = "first one" if index == 0 else f"one with the number {index + 1}"
    notes.append(f"The file holds {count} pictures; the {which} was taken.")
    return frozenset(notes[-1:] if index else ())


def aspect_of(across: float, down: float, notes: list[str]) -> float:
    """Width of a pixel over its height, from how many there are on a length across and down.

    1.0, too, when one of the two is nonsense. What is not square is said in `notes`.
    """
    if not (0 < across < math.inf and 0 < down < math.inf):
        return 1.0
    if abs(across - down) > SQUARE_WITHIN * across:
        notes.append("Its resolution differs across and down; the one across was taken.")
    return down / across


def plausible_ppi(ppi: float) -> float:
    """`ppi`, or 0.0 when it is nonsense: below 1 or above 10000 (common practice, no source)."""
    return ppi if 1.0 <= ppi <= 10_000.0 else 0.0
