"""In which numbers pixels are mixed: in amounts of light, or as they are encoded.

Averages of gamma-encoded values are too dark, so reductions mix light. Enlarging in light rings
visibly in the shadows, so enlargements mix encoded values, which are close to even steps for the
eye. `to_planes` and `to_codes` are each other's inverse.

=========  =================================  =============================================
encoding   light                              encoded
=========  =================================  =============================================
rgb, grey  the profile's curves, or those of  device values; where these are (nearly) light,
           its neutral axis                   the square root of them
lab        X, Y, Z                            L*, a*, b*
cmyk       ink: light falls in proportion to  ink
           the area covered (Murray-Davies)
=========  =================================  =============================================
"""

from __future__ import annotations

from abc import ABC, abstractmethod

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.tone import Tone, ToneCurve, tone_of
from hotfolder.raster.model import Encoding, RasterSpec

Planes = NDArray[np.float32]
"""Shape (channels, rows, width), float32."""

Codes = NDArray[np.uint16]
"""Shape (rows, width, channels), uint16."""

_FULL = 65535.0
_EVEN_AT_MIDDLE = 0.35
"""A curve that gives more light than this at its middle is light rather than an even encoding
(L* 50 is 0.18, a gamma of 1.8 gives 0.29). No source."""

_LAB_TO_UNIT = np.array([100 / _FULL, 1 / 257, 1 / 257], np.float32)
_LAB_ZERO = np.array([0.0, 128.0, 128.0], np.float32)


class Domain(ABC):
    """A way to turn codes into numbers that may be mixed, and back. name: in words."""

    name: str

    @abstractmethod
    def to_planes(self, codes: Codes) -> Planes:
        """Make numbers for mixing of codes."""

    @abstractmethod
    def to_codes(self, planes: Planes) -> Codes:
        """Make codes of numbers; what is out of range is clipped."""


def choose(spec: RasterSpec, *, reduces: bool) -> Domain:
    """The domain for resampling a picture, by the table above.

    Without a profile nobody knows what light the values mean; they are mixed as they are.
    """
    if spec.encoding is Encoding.LAB:
        return _LabLight() if reduces else _Encoded("L*, a*, b*")
    if spec.encoding is Encoding.CMYK:
        return _Encoded("ink coverage")
    if spec.profile is None:
        return _Encoded("values as encoded, without a profile")
    tone = tone_of(spec.profile)
    if reduces:
        return _Curves(tone.curves, f"linear light, by {tone.origin}")
    if _is_nearly_light(tone):
        return _Root()
    return _Encoded("values as encoded")


def _is_nearly_light(tone: Tone) -> bool:
    return any(curve.to_light[32768] > _EVEN_AT_MIDDLE for curve in tone.curves)


class _Encoded(Domain):
    """Values as they are, 0 … 65535."""

    def __init__(self, name: str) -> None:
        self.name = name

    def to_planes(self, codes: Codes) -> Planes:
        return np.ascontiguousarray(codes.transpose(2, 0, 1), dtype=np.float32)

    def to_codes(self, planes: Planes) -> Codes:
        codes = np.empty((*planes.shape[1:], planes.shape[0]), np.uint16)
        for channel, plane in enumerate(planes):
            rounded = np.clip(plane, 0, _FULL)
            rounded += np.float32(0.5)
            codes[..., channel] = rounded
        return codes


class _Root(Domain):
    """Square roots of values that are amounts of light themselves."""

    name = "square roots of linear values"

    def to_planes(self, codes: Codes) -> Planes:
        return np.sqrt(np.ascontiguousarray(codes.transpose(2, 0, 1), dtype=np.float32))

    def to_codes(self, planes: Planes) -> Codes:
        return _Encoded("").to_codes(np.square(np.maximum(planes, 0)))


class _Curves(Domain):
    """Light by one curve per channel, 0 … 1."""

    def __init__(self, curves: tuple[ToneCurve, ...], name: str) -> None:
        self.curves = curves
        self.name = name

    def to_planes(self, codes: Codes) -> Planes:
        planes = np.empty((codes.shape[2], *codes.shape[:2]), np.float32)
        for channel, curve in enumerate(self.curves):
            np.take(curve.to_light, codes[..., channel], mode="clip", out=planes[channel])
        return planes

    def to_codes(self, planes: Planes) -> Codes:
        codes = np.empty((*planes.shape[1:], planes.shape[0]), np.uint16)
        for channel, curve in enumerate(self.curves):
            codes[..., channel] = curve.encode(planes[channel])
        return codes


class _LabLight(Domain):
    """X, Y, Z relative to white, of L*, a*, b* (CIE 15:2018, 8.2.1 and its inverse)."""

    name = "linear light, X Y Z of L*, a*, b*"
    _knee = np.float32(6 / 29)

    def to_planes(self, codes: Codes) -> Planes:
        lab = codes.astype(np.float32) * _LAB_TO_UNIT - _LAB_ZERO
        fy = (lab[..., 0] + 16) / np.float32(116)
        fx = fy + lab[..., 1] / np.float32(500)
        fz = fy - lab[..., 2] / np.float32(200)
        roots = np.stack([fx, fy, fz])
        line = 3 * self._knee**2 * (roots - np.float32(4 / 29))
        return np.where(roots > self._knee, roots**3, line)

    def to_codes(self, planes: Planes) -> Codes:
        line = planes / (3 * self._knee**2) + np.float32(4 / 29)
        fx, fy, fz = np.where(planes > self._knee**3, np.cbrt(planes), line)
        lab = np.stack([116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)], axis=-1)
        codes = (lab + _LAB_ZERO) / _LAB_TO_UNIT
        return np.asarray(np.rint(np.clip(codes, 0, _FULL)), np.uint16)
