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
cmyk            the light that each ink lets pass, by the profile, is multiplied; an
                ink that is not there stays away, and where there is black and
                colour, each takes the square root
==============  ====================================================================

L* of table and CMYK pixels is what LittleCMS says, media-relative. Where it goes farther than
asked, so that a halo would pass its limit, it is moved by less instead.
"""

from __future__ import annotations

from abc import ABC, abstractmethod

import numpy as np
from numpy.typing import NDArray

from hotfolder import Encoding, Intent
from hotfolder.colour import Codes, Profile, Tone, convert_pixels, ink_tone_of, lab_profile, tone_of
from hotfolder_stages.output_sharpening import matrix_rgb

Plane = NDArray[np.float32]

_FULL = 65535
_AT_ONCE = 24_000
"""Pixels that fit into a core's cache with all that is computed of them."""

_L_PER_CODE = np.float32(100 / _FULL)
_KNEE = np.float32(6 / 29)
_SLOPE = np.float32(3 * (6 / 29) ** 2)
_OFFSET = np.float32(4 / 29)


class Lightness(ABC):
    """L* of pixels, and pixels with another L*."""

    how: str
    """In words, for the findings."""

    @abstractmethod
    def of(self, codes: Codes, out: Plane) -> None:
        """Fill `out`, shape (rows, width), with L* of codes (rows, width, channels), 0 … 100."""

    @abstractmethod
    def move(self, codes: Codes, added: Plane, out: Codes) -> None:
        """Fill `out` with codes that have `added` L*; where it is 0 they are what they were."""


class _InParts(Lightness):
    """By operations on arrays, on as many pixels at once as a core's cache holds."""

    def of(self, codes: Codes, out: Plane) -> None:
        pixels, made = codes.reshape(-1, codes.shape[-1]), out.reshape(-1)
        for at in range(0, len(pixels), _AT_ONCE):
            made[at : at + _AT_ONCE] = self._of(pixels[at : at + _AT_ONCE])

    def move(self, codes: Codes, added: Plane, out: Codes) -> None:
        out[:] = codes
        pixels, steps = out.reshape(-1, codes.shape[-1]), added.reshape(-1)
        for at in range(0, len(pixels), _AT_ONCE):
            part, step = pixels[at : at + _AT_ONCE], steps[at : at + _AT_ONCE]
            where = np.flatnonzero(step != 0)
            if len(where) == len(part):
                part[:] = self._moved(part, step)
            elif len(where):
                part[where] = self._moved(part[where], step[where])

    @abstractmethod
    def _of(self, codes: Codes) -> Plane:
        """L* of codes (pixels, channels)."""

    @abstractmethod
    def _moved(self, codes: Codes, added: Plane) -> Codes:
        """Codes (pixels, channels) with `added` L* (pixels)."""


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
    """f(t) of CIE 15:2018, 8.2.1; no light is less than 0."""
    roots = np.empty(light.shape, np.float32)
    matrix_rgb.roots_of(light.reshape(-1), roots.reshape(-1))
    return roots


def _cube(root: Plane) -> Plane:
    """The inverse of `_root`."""
    return np.where(root > _KNEE, root * root * root, _SLOPE * (root - _OFFSET))


class _MatrixRgb(Lightness):
    how = "exact, a* and b* kept"

    def __init__(self, tone: Tone, matrix: NDArray[np.float64]) -> None:
        self._to_light = [curve.to_light for curve in tone.curves]
        self._from_light = [curve.from_light for curve in tone.curves]
        # Relative to the sum of the primaries, so that equal values are neutral to the last bit.
        relative = matrix / matrix.sum(axis=1, keepdims=True)
        self._to_xyz = relative.astype(np.float32)
        self._to_rgb = np.linalg.inv(relative).astype(np.float32)

    def of(self, codes: Codes, out: Plane) -> None:
        red, green, blue = self._to_light
        pixels = codes.reshape(-1, codes.shape[-1])
        matrix_rgb.lightness_of(pixels, red, green, blue, self._to_xyz[1], out.reshape(-1))

    def move(self, codes: Codes, added: Plane, out: Codes) -> None:
        red, green, blue = self._to_light
        from_red, from_green, from_blue = self._from_light
        matrix_rgb.move_lightness(
            codes.reshape(-1, codes.shape[-1]),
            added.reshape(-1),
            red,
            green,
            blue,
            self._to_xyz,
            self._to_rgb,
            from_red,
            from_green,
            from_blue,
            out.reshape(-1, codes.shape[-1]),
        )


class _Grey(_InParts):
    how = "exact, through the grey curve"

    def __init__(self, tone: Tone) -> None:
        self._curve = tone.curves[0]

    def _of(self, codes: Codes) -> Plane:
        light = self._curve.decode(codes[..., 0])
        return np.float32(116) * _root(light) - np.float32(16)

    def _moved(self, codes: Codes, added: Plane) -> Codes:
        root = _root(self._curve.decode(codes[..., 0])) + added / np.float32(116)
        return self._curve.encode(_cube(root))[..., None]


class _Lab(_InParts):
    how = "exact, L* alone"

    def _of(self, codes: Codes) -> Plane:
        return codes[..., 0] * _L_PER_CODE

    def _moved(self, codes: Codes, added: Plane) -> Codes:
        out = codes.copy()
        lightness = np.clip(codes[..., 0] + added / _L_PER_CODE, 0, _FULL)
        out[..., 0] = np.rint(lightness)
        return out


class _ByProfile(_InParts):
    """L* by LittleCMS; the light that is asked for, as a factor of Y."""

    def __init__(self, profile: Profile) -> None:
        self._profile = profile

    def _of(self, codes: Codes) -> Plane:
        intent = Intent.RELATIVE_COLORIMETRIC
        lab = convert_pixels(codes[None], self._profile, lab_profile(), intent, flags=0)
        return np.asarray(lab[0, :, 0] * _L_PER_CODE)

    def _moved(self, codes: Codes, added: Plane) -> Codes:
        before = self._of(codes)
        out = self._scaled(codes, _factor(before, added))
        went = np.abs(self._of(out) - before)
        far = np.flatnonzero(went > np.abs(added))
        if len(far):  # the light of each channel is not the light of all: once more, by less
            less = added[far] * np.abs(added[far]) / went[far]
            out[far] = self._scaled(codes[far], _factor(before[far], less))
        return out

    @abstractmethod
    def _scaled(self, codes: Codes, factor: Plane) -> Codes:
        """Codes (pixels, channels) with `factor` times their light (pixels)."""


def _factor(lightness: Plane, added: Plane) -> Plane:
    """How many times the light there is with `added` L*."""
    root = (lightness + np.float32(16)) / np.float32(116)
    moved = _cube(np.maximum(root + added / np.float32(116), _OFFSET))
    return np.asarray(moved / np.maximum(_cube(root), np.float32(1e-6)))


class _TableRgb(_ByProfile):
    how = "light of each channel multiplied, by the profile's neutral axis"

    def __init__(self, profile: Profile, tone: Tone) -> None:
        super().__init__(profile)
        self._curves = tone.curves

    def _scaled(self, codes: Codes, factor: Plane) -> Codes:
        out = np.empty_like(codes)
        for channel, curve in enumerate(self._curves):
            out[..., channel] = curve.encode(curve.decode(codes[..., channel]) * factor)
        return out


class _Cmyk(_ByProfile):
    how = "light that each ink lets pass multiplied, no ink added where there is none"

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self._curves = ink_tone_of(profile).curves

    def _scaled(self, codes: Codes, factor: Plane) -> Codes:
        has_black = codes[..., 3] > 0
        has_colour = codes[..., :3].any(axis=-1)
        factor = np.where(has_black & has_colour, np.sqrt(factor), factor)
        out = np.empty_like(codes)
        for ink, curve in enumerate(self._curves):
            out[..., ink] = ~curve.encode(curve.decode(~codes[..., ink]) * factor)
        return np.where(codes > 0, out, 0).astype(np.uint16)
