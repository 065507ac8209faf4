"""A smaller copy of the picture, made from the bands as they pass, and the light in it.

Where to look is known only when the last row has passed, so what is read of a chart is read from
this copy. Its pixels are means of whole squares of the picture's: a patch has the same mean in
both, and less noise in this one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from hotfolder import Band, Encoding, Intent, RasterSpec
from hotfolder.colour import (
    SRGB_CURVE,
    SRGB_PRIMARIES,
    Codes,
    Precision,
    Primaries,
    Profile,
    Transform,
    flattened,
    rgb_profile,
    tone_of,
)

LONG_EDGE_PX = 3072
"""Longer edge of the copy at most: a chart of 3 % of it has patches of 12 pixels."""

_WIDE = Primaries((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))
"""ITU-R BT.2020-2, table 3: all surface colours that a print or a chart can have."""


@dataclass(frozen=True)
class Space:
    """The RGB in which light is measured: the picture's own, where its profile has one.

    A curve that was baked in acts on the picture's own channels, and can be undone only there.
    """

    profile: Profile
    """Of the copy's pixels."""

    to_xyz: NDArray[np.float64]
    """Shape (3, 3): linear RGB to XYZ under D50."""

    def light(self, codes: Codes) -> NDArray[np.float32]:
        """Return the light of codes, channels first; shape (3, ...), float32, 0 … 1."""
        curves = tone_of(self.profile).curves
        light = np.empty(codes.shape, np.float32)
        for channel, curve in enumerate(curves):
            light[channel] = curve.decode(codes[channel])
        return light


def find_space(profile: Profile | None, encoding: Encoding) -> Space | None:
    """Return a picture's own RGB; None where its profile has no curves and matrix."""
    if profile is None or encoding is not Encoding.RGB:
        return None
    matrix = tone_of(profile).matrix
    return None if matrix is None else Space(profile, matrix)


class ReducedCopy:
    """Takes bands, keeps means of squares of `factor` × `factor` pixels.

    codes: shape (channels, rows, width), uint16; at most `LONG_EDGE_PX` a side, so that memory
    does not grow with the picture. Rows and columns that fill no square are left out.
    """

    def __init__(self, raster: RasterSpec) -> None:
        longer = max(raster.width_px, raster.height_px)
        self.factor = max(1, -(-longer // LONG_EDGE_PX))
        self._encoding = raster.encoding
        rows, width = raster.height_px // self.factor, raster.width_px // self.factor
        self.codes = np.zeros((raster.channels, rows, width), np.uint16)
        self._filled = 0
        self._rest: Codes = np.zeros((0, raster.width_px, raster.channels), np.uint16)

    def gather(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Add bands as they pass."""
        for band in bands:
            self.add(band)
            yield band

    def add(self, band: Band) -> None:
        """Add the next rows."""
        pixels = flattened(band.pixels, band.alpha, self._encoding)
        if len(self._rest):
            pixels = np.concatenate([self._rest, pixels])
        k, width = self.factor, self.codes.shape[2]
        rows = len(pixels) // k
        self._rest = pixels[rows * k :].copy()
        out = self.codes[:, self._filled : self._filled + rows]
        for channel in range(len(self.codes)):
            if k == 1:
                out[channel] = pixels[..., channel]
                continue
            total = np.zeros((rows, width), np.uint32)
            for y in range(k):
                for x in range(k):
                    total += pixels[y : rows * k : k, x : width * k : k, channel]
            out[channel] = (total + k * k // 2) // (k * k)
        self._filled += rows

    def to_picture(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return places of the copy in pixels of the picture, 0 at the middle of the first."""
        return (points + 0.5) * self.factor - 0.5

    def in_rgb(self, source: Profile) -> tuple[Codes, Space]:
        """Return the copy in a space whose channels are light behind a curve; shape (3, ...).

        A picture in RGB that its profile describes by curves and a matrix is that already.

        Raises
        ------
        ProfileError
            When LittleCMS cannot convert from `source`.
        """
        own = find_space(source, source.encoding)
        if own is not None:
            return self.codes, own
        wide = _wide_profile()
        transform = Transform(
            source,
            wide,
            Intent.RELATIVE_COLORIMETRIC,
            black_point_compensation=False,
            precision=Precision.FAST,
        )
        converted = np.empty((3, *self.codes.shape[1:]), np.uint16)
        rows = max(1, 1_000_000 // max(1, self.codes.shape[2]))
        for top in range(0, self.codes.shape[1], rows):
            part = np.ascontiguousarray(self.codes[:, top : top + rows].transpose(1, 2, 0))
            converted[:, top : top + rows] = transform.apply(part).transpose(2, 0, 1)
        matrix = tone_of(wide).matrix
        assert matrix is not None
        return converted, Space(wide, matrix)


@lru_cache(maxsize=1)
def srgb() -> Profile:
    """Return what RGB without a profile is measured as (IEC 61966-2-1)."""
    return Profile.parse(rgb_profile("sRGB", SRGB_PRIMARIES, SRGB_CURVE))


@lru_cache(maxsize=1)
def _wide_profile() -> Profile:
    return Profile.parse(rgb_profile("wide RGB for measuring", _WIDE, SRGB_CURVE))
