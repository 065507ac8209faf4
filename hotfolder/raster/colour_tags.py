"""What a file says about its colours in other ways than by an embedded profile.

A PNG has chunks for it, an Exif block a tag. Which of them goes first is in PNG, third edition,
4.3, table 1: cICP before iCCP before sRGB before gAMA and cHRM; an Exif block comes last. cICP
states the colours as completely as a profile and takes its place; the others are believed where
there is no profile, and the record says that it was assumed.

Code points: ITU-T H.273 (07/2021), tables 2 and 3, from memory, but for those of sRGB and
Display P3, which PNG, third edition, 11.3.2.6, prints as examples.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from hotfolder.colour import spaces
from hotfolder.colour.spaces import D65, Curve, Primaries
from hotfolder.errors import Hold
from hotfolder.model.encoding import Encoding
from hotfolder.raster import exif
from hotfolder.raster.source import HighDynamicRange

PRIMARIES: Mapping[int, tuple[str, Primaries]] = {
    1: ("BT.709", spaces.SRGB_PRIMARIES),
    5: ("BT.601, 625 lines", Primaries((0.64, 0.33), (0.29, 0.60), (0.15, 0.06))),
    6: ("BT.601, 525 lines", Primaries((0.630, 0.340), (0.310, 0.595), (0.155, 0.070))),
    7: ("SMPTE 240M", Primaries((0.630, 0.340), (0.310, 0.595), (0.155, 0.070))),
    9: ("BT.2020", Primaries((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))),
    11: ("DCI P3", Primaries((0.680, 0.320), (0.265, 0.690), (0.150, 0.060), (0.314, 0.351))),
    12: ("P3", Primaries((0.680, 0.320), (0.265, 0.690), (0.150, 0.060), D65)),
}
"""H.273, table 2."""

_BT709 = Curve((1 / 0.45, 1 / 1.099, 0.099 / 1.099, 1 / 4.5, 4.5 * 0.018))
CURVES: Mapping[int, tuple[str, Curve]] = {
    1: ("the BT.709 curve", _BT709),
    4: ("gamma 2.2", Curve((2.2,))),
    5: ("gamma 2.8", Curve((2.8,))),
    6: ("the BT.709 curve", _BT709),
    8: ("a straight curve", Curve((1.0,))),
    13: ("the sRGB curve", spaces.SRGB_CURVE),
    14: ("the BT.709 curve", _BT709),
    15: ("the BT.709 curve", _BT709),
}
"""H.273, table 3. For 1, 6, 14 and 15 the inverse of the function printed there."""

_HIGH_DYNAMIC_RANGE: Mapping[int, Literal["PQ", "HLG"]] = {16: "PQ", 18: "HLG"}
_NAMED = {(1, 13): "sRGB", (12, 13): "Display P3"}
_GAMMAS = (0.2, 5.0)
"""Exponents that a gAMA chunk may mean; beyond them it is a mistake (common practice, no source)"""


@dataclass(frozen=True)
class Said:
    """A profile for what the file says, and the sentence for the record."""

    icc: bytes
    note: str


@dataclass(frozen=True)
class Stated:
    """What code points state."""

    note: str
    """The sentence for the record."""
    icc: bytes | None = None
    """The profile that they are as good as; None when they cannot be used, or are none."""
    high_dynamic_range: HighDynamicRange | None = None
    """What they are where no profile is."""

    @property
    def is_usable(self) -> bool:
        """Whether they say which colours the numbers mean."""
        return self.icc is not None or self.high_dynamic_range is not None


def from_exif(directories: exif.ExifDirectories, encoding: Encoding) -> Said | None:
    """Take the colour space that an Exif block names, for a file without a profile."""
    name = exif.colour_space(directories)
    if name is None or encoding not in (Encoding.RGB, Encoding.GREY):
        return None
    primaries, curve = {
        "sRGB": (spaces.SRGB_PRIMARIES, spaces.SRGB_CURVE),
        "Adobe RGB (1998)": (spaces.WIDE_PRIMARIES, spaces.WIDE_CURVE),
    }[name]
    return Said(
        _profile(encoding, name, primaries, curve),
        f"The file has no profile, but its Exif data say that its colours are {name}.",
    )


def from_chunks(found: Mapping[bytes, bytes], encoding: Encoding) -> Said | None:
    """Take what the chunks sRGB, or gAMA and cHRM, say, for a PNG without a profile."""
    if b"sRGB" in found:
        return Said(
            _profile(encoding, "sRGB", spaces.SRGB_PRIMARIES, spaces.SRGB_CURVE),
            "The file has no profile, but says that its colours are sRGB.",
        )
    gamma = _exponent(found.get(b"gAMA"))
    if gamma is None:
        return None
    name = f"gamma {gamma:.3g}"
    curve = Curve((gamma,))
    if encoding is Encoding.GREY:
        return Said(
            spaces.grey_profile(f"Grey, {name}", curve),
            f"The file has no profile, but says that its greys have {name}.",
        )
    try:
        icc = spaces.rgb_profile(f"RGB, {name}", _chromaticities(found[b"cHRM"]), curve)
    except (KeyError, ValueError):
        return None  # without primaries, or with impossible ones, nobody knows the colours
    return Said(
        icc, f"The file has no profile, but says which primaries its colours have, and {name}."
    )


def from_code_points(code_points: bytes, encoding: Encoding) -> Stated:
    """Make the profile that code points state: of a cICP chunk, or of another format's place.

    Parameters
    ----------
    code_points
        Primaries, curve, matrix and 1 for the full range. The matrix is 0: whoever decodes a
        picture that is stored otherwise makes RGB of it.
    encoding
        Of the picture.

    Raises
    ------
    Hold
        ``narrow-range``: understood, but not what can be printed.
    """
    code = "-".join(str(byte) for byte in code_points[:4])
    if len(code_points) != 4 or code_points[2] != 0:
        # PNG, third edition, 11.3.2.6: the matrix is 0, as a PNG holds RGB
        return Stated("What the file says about its colours (cICP) is damaged and was left out.")
    primaries, curve, _, full_range = code_points
    if full_range != 1:
        raise Hold(
            "narrow-range",
            f"The picture is coded as video is, with a narrow range of values (cICP {code}). "
            "Export it with the full range, and drop that.",
        )
    transfer = _HIGH_DYNAMIC_RANGE.get(curve)
    if transfer and (primaries in PRIMARIES or encoding is Encoding.GREY):
        named = PRIMARIES.get(primaries, PRIMARIES[1])
        return Stated(
            f"The file codes its colours as cICP {code}: {named[0]} primaries with {transfer}.",
            high_dynamic_range=HighDynamicRange(transfer, *named, code),
        )
    if primaries not in PRIMARIES and encoding is Encoding.GREY and curve in CURVES:
        primaries = 1  # greys have none
    if primaries not in PRIMARIES or curve not in CURVES:
        return Stated(f"The file codes its colours as cICP {code}, which is not known here.")
    (space, corners), (shape, response) = PRIMARIES[primaries], CURVES[curve]
    name = _NAMED.get((primaries, curve), f"{space} primaries with {shape}")
    icc = _profile(encoding, name, corners, response)
    return Stated(f"The file codes its colours as cICP {code}: {name}.", icc)


def _profile(encoding: Encoding, name: str, primaries: Primaries, curve: Curve) -> bytes:
    if encoding is Encoding.GREY:
        return spaces.grey_profile(f"Grey, as in {name}", curve)
    return spaces.rgb_profile(name, primaries, curve)


def _exponent(chunk: bytes | None) -> float | None:
    """Return the exponent from device value to light; gAMA holds its inverse (PNG, 11.3.2.2)."""
    if chunk is None or len(chunk) != 4 or chunk == bytes(4):
        return None
    exponent: float = 100_000 / struct.unpack(">I", chunk)[0]
    return exponent if _GAMMAS[0] <= exponent <= _GAMMAS[1] else None


def _chromaticities(chunk: bytes) -> Primaries:
    """Read cHRM: x and y, in 100,000ths, of white, red, green, blue (PNG, 11.3.2.1)."""
    if len(chunk) != 32:
        raise ValueError("cHRM has not 32 bytes")
    values = [value / 100_000 for value in struct.unpack(">8I", chunk)]
    white, red, green, blue = zip(values[::2], values[1::2], strict=True)
    return Primaries(red, green, blue, white)
