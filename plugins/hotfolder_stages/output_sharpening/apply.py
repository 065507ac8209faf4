"""Changing a pixel's lightness and nothing else, for every kind of pixel.

==============  ====================================================================
pixels          how
==============  ====================================================================
rgb, matrix     exactly: a*, b* stay. With f the function of CIE 15:2018, 8.2.1,
                f(X/Xn), f(Y/Yn), f(Z/Zn) all move by dL* / 116. Where that leaves
                the gamut, the pixel goes as far towards it as it can.
grey            exactly, through the profile's curve
lab             exactly, L* alone
rgb, tables     the light of each channel, by the profile's neutral axis, is
                multiplied by what L* asks of Y: right on the neutral axis, near it
                elsewhere
cmyk            the light that each ink lets pass (1 - coverage, Murray-Davies) is
                multiplied; an ink that is not there stays away, and where there is
                black and colour, each takes the square root
==============  ====================================================================

L* of table and CMYK pixels is what LittleCMS says, media-relative.
"""

from __future__ import annotations

from abc import ABC, abstractmethod

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.profile import LITTLECMS_NAMES, Profile, lab_profile
from hotfolder.colour.tone import Tone, tone_of
from hotfolder.raster.model import Encoding

Codes = NDArray[np.uint16]
Plane = NDArray[np.float32]

_FULL = 65535
_L_PER_CODE = np.float32(100 / _FULL)
_KNEE = np.float32(6 / 29)
_SLOPE = np.float32(3 * (6 / 29) ** 2)
_OFFSET = np.float32(4 / 29)


class Lightness(ABC):
    """L* of pixels, and pixels with another L*. how: in words, for the findings."""

    how: str

    @abstractmethod
    def of(self, codes: Codes) -> Plane:
        """L* of codes (rows, width, channels); float32, (rows, width), 0 … 100."""

    @abstractmethod
    def moved(self, codes: Codes, added: Plane) -> Codes:
        """Codes with `added` L*; where it is 0 the codes are exactly what they were."""


def lightness_of(profile: Profile) -> Lightness:
    """The way for a profile's pixels, by the table above."""
    if profile.encoding is Encoding.LAB:
        return _Lab()
    if profile.encoding is Encoding.CMYK:
        return _Cmyk(profile)
    tone = tone_of(profile)
    if profile.encoding is Encoding.GREY:
        return _Grey(tone)
    if tone.matrix is None:
        return _TableRgb(profile, tone)
    return _MatrixRgb(tone, tone.matrix)


def _root(light: Plane) -> Plane:
    """f(t): the cube root of light, with its straight piece near black."""
    straight = light / _SLOPE + _OFFSET
    return np.where(light > _KNEE**3, np.cbrt(light), straight)


def _cube(root: Plane) -> Plane:
    """The inverse of `_root`."""
    return np.where(root > _KNEE, root * root * root, _SLOPE * (root - _OFFSET))


def _kept(codes: Codes, moved: Codes, added: Plane) -> Codes:
    return np.where((added != 0)[..., None], moved, codes)


class _MatrixRgb(Lightness):
    how = "exact, a* and b* kept"

    def __init__(self, tone: Tone, matrix: NDArray[np.float64]) -> None:
        self._curves = tone.curves
        # Relative to the sum of the primaries, so that equal values are neutral to the last bit.
        relative = matrix / matrix.sum(axis=1, keepdims=True)
        self._to_xyz = relative.astype(np.float32)
        self._to_rgb = np.linalg.inv(relative).astype(np.float32)

    def of(self, codes: Codes) -> Plane:
        light = self._light(codes)
        return np.float32(116) * _root(_row(self._to_xyz[1], light)) - np.float32(16)

    def moved(self, codes: Codes, added: Plane) -> Codes:
        light = self._light(codes)
        step = added / np.float32(116)
        xyz = [_cube(_root(_row(row, light)) + step) for row in self._to_xyz]
        moved = [_row(row, xyz) for row in self._to_rgb]
        _pull_into_gamut(light, moved)
        out = np.empty_like(codes)
        for channel, curve in enumerate(self._curves):
            out[..., channel] = curve.encode(moved[channel])
        return _kept(codes, out, added)

    def _light(self, codes: Codes) -> list[Plane]:
        return [curve.decode(codes[..., each]) for each, curve in enumerate(self._curves)]


def _row(weights: NDArray[np.float32], planes: list[Plane]) -> Plane:
    # Not a matrix product: a BLAS may sum in another order for another number of rows.
    return np.asarray(weights[0] * planes[0] + weights[1] * planes[1] + weights[2] * planes[2])


def _pull_into_gamut(light: list[Plane], moved: list[Plane]) -> None:
    """Shorten the steps that leave 0 … 1, so that no channel is clipped by itself."""
    outside = np.zeros(light[0].shape, bool)
    for plane in moved:
        outside |= (plane < 0) | (plane > 1)
    if not outside.any():
        return
    share = np.ones(int(outside.sum()), np.float32)
    starts = [plane[outside] for plane in light]
    steps = [new[outside] - start for new, start in zip(moved, starts, strict=True)]
    for start, step in zip(starts, steps, strict=True):
        room = np.where(step > 0, 1 - start, start)
        size = np.maximum(np.abs(step), np.float32(1e-9))
        share = np.minimum(share, np.maximum(room, 0) / size)
    for plane, start, step in zip(moved, starts, steps, strict=True):
        plane[outside] = start + share * step


class _Grey(Lightness):
    how = "exact, through the grey curve"

    def __init__(self, tone: Tone) -> None:
        self._curve = tone.curves[0]

    def of(self, codes: Codes) -> Plane:
        light = self._curve.decode(codes[..., 0])
        return np.float32(116) * _root(light) - np.float32(16)

    def moved(self, codes: Codes, added: Plane) -> Codes:
        root = _root(self._curve.decode(codes[..., 0])) + added / np.float32(116)
        return _kept(codes, self._curve.encode(_cube(root))[..., None], added)


class _Lab(Lightness):
    how = "exact, L* alone"

    def of(self, codes: Codes) -> Plane:
        return codes[..., 0] * _L_PER_CODE

    def moved(self, codes: Codes, added: Plane) -> Codes:
        out = codes.copy()
        lightness = np.clip(codes[..., 0] + added / _L_PER_CODE, 0, _FULL)
        out[..., 0] = np.rint(lightness)
        return _kept(codes, out, added)


class _ByProfile(Lightness):
    """L* by LittleCMS; the light that is asked for, as a factor of Y."""

    def __init__(self, profile: Profile) -> None:
        self._profile = profile

    def of(self, codes: Codes) -> Plane:
        lab = imagecodecs.cms_transform(
            np.ascontiguousarray(codes),
            self._profile.data,
            lab_profile().data,
            colorspace=LITTLECMS_NAMES[self._profile.encoding],
            outcolorspace="lab",
            intent=1,
        )
        return np.asarray(lab[..., 0] * _L_PER_CODE)

    def _factor(self, codes: Codes, added: Plane) -> Plane:
        root = (self.of(codes) + np.float32(16)) / np.float32(116)
        moved = _cube(np.maximum(root + added / np.float32(116), _OFFSET))
        return np.asarray(moved / np.maximum(_cube(root), np.float32(1e-6)))


class _TableRgb(_ByProfile):
    how = "light of each channel multiplied, by the profile's neutral axis"

    def __init__(self, profile: Profile, tone: Tone) -> None:
        super().__init__(profile)
        self._curves = tone.curves

    def moved(self, codes: Codes, added: Plane) -> Codes:
        factor = self._factor(codes, added)
        out = np.empty_like(codes)
        for channel, curve in enumerate(self._curves):
            out[..., channel] = curve.encode(curve.decode(codes[..., channel]) * factor)
        return _kept(codes, out, added)


class _Cmyk(_ByProfile):
    how = "light that each ink lets pass multiplied, no ink added where there is none"

    def moved(self, codes: Codes, added: Plane) -> Codes:
        factor = self._factor(codes, added)
        has_black = codes[..., 3] > 0
        has_colour = codes[..., :3].any(axis=-1)
        factor = np.where(has_black & has_colour, np.sqrt(factor), factor)
        passing = (_FULL - codes.astype(np.float32)) * factor[..., None]
        out = _FULL - np.rint(np.clip(passing, 0, _FULL))
        return _kept(codes, np.where(codes > 0, out, 0).astype(np.uint16), added)
