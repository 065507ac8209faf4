"""In which numbers pixels are mixed: in amounts of light, or as they are encoded.

Averages of gamma-encoded values are too dark, so reductions mix light. Enlarging in light rings
visibly in the shadows, so enlargements mix encoded values, which are close to even steps for the
eye. `to_samples` and `to_codes` are each other's inverse.

=========  =================================  =============================================
encoding   light                              encoded
=========  =================================  =============================================
rgb, grey  the profile's curves, or those of  device values; where these are (nearly) light,
           its neutral axis                   the square root of them
lab        X, Y, Z                            L*, a*, b*
cmyk       what each ink lets pass, by the    ink
           profile, as inks spread (dot gain)
=========  =================================  =============================================
"""

from __future__ import annotations

from abc import ABC, abstractmethod

import numpy as np
from numpy.typing import NDArray

from hotfolder import Encoding, RasterSpec
from hotfolder.colour import Codes, Tone, ToneCurve, ink_tone_of, tone_of
from hotfolder_stages.sizing.mixing import look_up, look_up_light, round_off

Samples = NDArray[np.float32]
"""Shape (rows, width, channels), float32."""

"""Shape (rows, width, channels), uint16."""

_FULL = 65535.0
_EVEN_AT_MIDDLE = 0.35
"""A curve that gives more light than this at its middle is light rather than an even encoding
(L* 50 is 0.18, a gamma of 1.8 gives 0.29). No source."""

_LAB_TO_UNIT = np.array([100 / _FULL, 1 / 257, 1 / 257], np.float32)
_LAB_ZERO = np.array([0.0, 128.0, 128.0], np.float32)


class Domain(ABC):
    """A way to turn codes into numbers that may be mixed, and back."""

    name: str
    """In words."""

    @abstractmethod
    def to_samples(self, codes: Codes) -> Samples:
        """Make numbers for mixing of codes."""

    @abstractmethod
    def to_codes(self, samples: Samples, codes: Codes) -> None:
        """Fill `codes` with those of numbers; what is out of range is clipped."""


def choose(spec: RasterSpec, *, reduces: bool) -> Domain:
    """The domain for resampling a picture, by the table above.

    Without a profile nobody knows what light the values mean; they are mixed as they are.
    """
    if spec.encoding is Encoding.LAB:
        return _LabLight() if reduces else _Encoded("L*, a*, b*")
    if spec.encoding is Encoding.CMYK:
        if reduces and spec.profile is not None:
            return _Inks(ink_tone_of(spec.profile))
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

    def to_samples(self, codes: Codes) -> Samples:
        return codes.astype(np.float32)

    def to_codes(self, samples: Samples, codes: Codes) -> None:
        round_off(samples.reshape(-1), codes.reshape(-1))


class _Root(Domain):
    """Square roots of values that are amounts of light themselves."""

    name = "square roots of linear values"

    def to_samples(self, codes: Codes) -> Samples:
        return np.sqrt(codes.astype(np.float32))

    def to_codes(self, samples: Samples, codes: Codes) -> None:
        _Encoded("").to_codes(np.square(np.maximum(samples, 0)), codes)


class _Curves(Domain):
    """Light by one curve per channel, 0 … 1."""

    def __init__(self, curves: tuple[ToneCurve, ...], name: str) -> None:
        self.name = name
        different = list(dict.fromkeys(curves))
        self._which = np.array([different.index(curve) for curve in curves])
        self._to_light = np.stack([curve.to_light for curve in different])
        self._from_light = np.stack([curve.from_light for curve in different])

    def to_samples(self, codes: Codes) -> Samples:
        samples = np.empty(codes.shape, np.float32)
        shape = (-1, len(self._which))
        look_up(codes.reshape(shape), self._to_light, self._which, samples.reshape(shape))
        return samples

    def to_codes(self, samples: Samples, codes: Codes) -> None:
        shape = (-1, len(self._which))
        look_up_light(samples.reshape(shape), self._from_light, self._which, codes.reshape(shape))


class _Inks(_Curves):
    """Light that each ink lets pass."""

    def __init__(self, tone: Tone) -> None:
        super().__init__(tone.curves, f"light that each ink lets pass, by {tone.origin}")

    def to_samples(self, codes: Codes) -> Samples:
        return super().to_samples(~codes)

    def to_codes(self, samples: Samples, codes: Codes) -> None:
        super().to_codes(samples, codes)
        np.invert(codes, out=codes)


class _LabLight(Domain):
    """X, Y, Z relative to white, of L*, a*, b* (CIE 15:2018, 8.2.1 and its inverse)."""

    name = "linear light, X Y Z of L*, a*, b*"
    _knee = np.float32(6 / 29)

    def to_samples(self, codes: Codes) -> Samples:
        lab = codes.astype(np.float32) * _LAB_TO_UNIT - _LAB_ZERO
        fy = (lab[..., 0] + 16) / np.float32(116)
        fx = fy + lab[..., 1] / np.float32(500)
        fz = fy - lab[..., 2] / np.float32(200)
        roots = np.stack([fx, fy, fz], axis=-1)
        line = 3 * self._knee**2 * (roots - np.float32(4 / 29))
        return np.where(roots > self._knee, roots**3, line)

    def to_codes(self, samples: Samples, codes: Codes) -> None:
        line = samples / (3 * self._knee**2) + np.float32(4 / 29)
        roots = np.where(samples > self._knee**3, np.cbrt(samples), line)
        fx, fy, fz = np.moveaxis(roots, -1, 0)
        lab = np.stack([116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)], axis=-1)
        codes[:] = np.rint(np.clip((lab + _LAB_ZERO) / _LAB_TO_UNIT, 0, _FULL))
