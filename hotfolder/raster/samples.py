"""From the numbers in a file to the 16-bit numbers of a `Band`.

Everything is a pure function of one block of samples, so that the result never depends on how
a picture was cut into bands.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from hotfolder.model.encoding import Encoding
from hotfolder.raster.picture import Stored
from hotfolder.raster.source import Rows

Lab = Literal["cielab", "icclab"]

_FULL = 65535
_FLOAT_MAX = float(np.finfo(np.float32).max)


@dataclass(frozen=True)
class SampleLayout:
    """What the samples of one pixel mean."""

    encoding: Encoding
    """What comes out."""
    bits: int
    """Significant bits of an integer sample."""
    inverted: bool = False
    """0 is white (grey only)."""
    lab: Lab | None = None
    """How L*a*b* is coded."""
    palette: NDArray[np.uint16] | None = None
    """Shape (entries, 3), uint16."""
    alpha: int | None = None
    """Index of the sample that is the alpha plane, or None."""
    associated: bool = False
    """Colour is multiplied by alpha."""
    scale: float = 1.0
    """What floating-point colour is multiplied by."""


def to_rows(stored: NDArray[np.generic], layout: SampleLayout) -> Rows:
    """Turn stored samples into pixels and alpha.

    Parameters
    ----------
    stored
        Shape (rows, width, samples); bool, unsigned integer or float, in native byte order.
        Floating-point colour is 0 … 1 (L* 0 … 100, a* and b* as they are); values outside are
        clipped and NaN becomes 0.

    Returns
    -------
    Rows
        New arrays, or `stored` itself where nothing has to be done.
    """
    if layout.palette is not None:
        return _looked_up(stored, layout)
    if stored.dtype.kind == "f":
        return _from_float(stored, layout)
    channels = layout.encoding.channels
    colour = stored[..., :channels]
    alpha = None
    if layout.alpha is not None:
        alpha = np.ascontiguousarray(widened(stored[..., layout.alpha], layout.bits))
    pixels = _lab(colour, layout) if layout.lab else widened(colour, layout.bits)
    if alpha is not None and layout.associated:
        pixels = unassociated(pixels, alpha)
    if layout.inverted:
        pixels = np.bitwise_not(pixels)  # 65535 - v
    return np.ascontiguousarray(pixels), alpha


def widened(values: NDArray[np.generic], bits: int) -> NDArray[np.uint16]:
    """Scale integers of 0 … 2**bits - 1 to 0 … 65535, rounded to the nearest."""
    if bits == 16:
        return values.astype(np.uint16, copy=False)
    if bits == 8:
        return values.astype(np.uint16) * np.uint16(257)
    if bits == 32:
        # 2**32 - 1 = 65535 * 65537
        return ((values.astype(np.uint64) + 32768) // 65537).astype(np.uint16)
    top = 2**bits - 1
    rounded: NDArray[np.uint16] = ((values.astype(np.uint32) * _FULL + top // 2) // top).astype(
        np.uint16
    )
    return rounded


def unassociated(pixels: NDArray[np.uint16], alpha: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Divide colour by alpha; where alpha is 0 the colour is left as it is.

    Exact integer rounding: 65535 * 65535 + 32767 still fits 32 bits.
    """
    weight = np.maximum(alpha, 1).astype(np.uint32)[..., np.newaxis]
    divided = (pixels.astype(np.uint32) * np.uint32(_FULL) + weight // 2) // weight
    limited = np.minimum(divided, _FULL).astype(np.uint16)
    return np.where(alpha[..., np.newaxis] == 0, pixels, limited)


def _looked_up(stored: NDArray[np.generic], layout: SampleLayout) -> Rows:
    palette = layout.palette
    if palette is None:
        raise ValueError("a layout without a palette")
    index = np.minimum(stored[..., 0].astype(np.intp), len(palette) - 1)
    return np.ascontiguousarray(palette[index]), None


def _from_float(stored: NDArray[np.generic], layout: SampleLayout) -> Rows:
    channels = layout.encoding.channels
    precise = np.float64 if stored.dtype.itemsize > 4 else np.float32
    values: Stored = np.nan_to_num(
        stored.astype(precise),
        nan=0.0,
        posinf=_FLOAT_MAX,
        neginf=-_FLOAT_MAX,
    )
    colour = values[..., :channels]
    alpha = None
    if layout.alpha is not None:
        opacity = np.clip(values[..., layout.alpha], 0.0, 1.0)
        alpha = _quantised(opacity)
        if layout.associated:
            whole = opacity[..., np.newaxis]
            colour = np.where(whole > 0, colour / np.where(whole > 0, whole, 1), colour)
    if layout.scale != 1.0:
        colour = colour * values.dtype.type(layout.scale)
    if layout.lab:
        # TIFF 6.0 section 23 codes integers only; floats are L*a*b* as they are, as libtiff's
        # users write them (common practice, no source).
        scale = np.array([1 / 100, 1 / 255, 1 / 255], dtype=values.dtype)
        colour = (colour + np.array([0, 128, 128], dtype=values.dtype)) * scale
    pixels = _quantised(np.clip(colour, 0.0, 1.0))
    if layout.inverted:
        pixels = np.bitwise_not(pixels)
    return np.ascontiguousarray(pixels), alpha


def _quantised(values: NDArray[np.generic]) -> NDArray[np.uint16]:
    codes: NDArray[np.uint16] = np.rint(values * _FULL).astype(np.uint16)
    return codes


def _lab(colour: NDArray[np.generic], layout: SampleLayout) -> NDArray[np.uint16]:
    """L*a*b* as TIFF codes it, to ICC.1:2022 16-bit PCSLAB (table 12: 65535/100 and 257).

    CIELAB (TIFF 6.0, section 23): L* unsigned, full scale 100; a*, b* signed, 1 per unit in 8
    bits, 256 per unit in 16. ICCLAB (a technical note to TIFF 6.0, from memory): as ICC
    profiles of version 2 code it: 65280 is L* 100; 32768 is a* 0, 256 per unit.
    """
    if layout.lab == "icclab":
        if layout.bits == 8:
            return widened(colour, 8)
        scaled = (colour.astype(np.uint32) * 257 + 128) // 256
        return np.minimum(scaled, _FULL).astype(np.uint16)
    lightness = widened(colour[..., :1], layout.bits)
    if layout.bits == 8:
        chroma = (colour[..., 1:].view(np.uint8) ^ np.uint8(0x80)).astype(np.uint16) * 257
    else:
        signed = np.ascontiguousarray(colour[..., 1:]).view(np.int16).astype(np.int32)
        chroma = np.clip(((signed + 32768) * 257 + 128) // 256, 0, _FULL).astype(np.uint16)
    return np.concatenate([lightness, chroma], axis=-1)


def to_cielab(pixels: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """The inverse for writing: 16-bit PCSLAB to TIFF's 16-bit CIELAB, a* and b* as int16 bits.

    Examples
    --------
    >>> to_cielab(np.array([[[65535, 32896, 33153]]], dtype=np.uint16)).tolist()
    [[[65535, 0, 256]]]
    """
    out = pixels.copy()
    chroma = (pixels[..., 1:].astype(np.uint32) * 256 + 128) // 257
    out[..., 1:] = (chroma.astype(np.int32) - 32768).astype(np.int16).view(np.uint16)
    return out
