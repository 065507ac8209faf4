"""From device values to light and back: the tone curves of a profile.

Reductions average light, and sharpening scales it, so both need to know how much light a device
value stands for. A matrix or grey profile says it in its curves; for a profile with tables the
curve of its neutral axis is taken, which is right for greys and near it for colours. An ink
spreads, so half of its code takes more than half of the light that the solid takes (dot gain): each
ink has a curve of its own.

Formulas: ICC.1:2022, 10.6 (``curveType``) and 10.18 (``parametricCurveType``, table 68).
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.encodings import lab_to_xyz
from hotfolder.colour.engine import NO_GRID, convert_pixels, to_lab
from hotfolder.colour.kept_points import arrays_for
from hotfolder.colour.profile import Profile, lab_profile
from hotfolder.disk.kept_arrays import Arrays
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent

Given = TypeVar("Given")

CODES = 65536
_ROOTS = 2**18
_SRGB_TOLERANCE = 0.002
_TAKEN_BY_INK = (0, 1, 2, 1)
SRGB_TO_D50 = (
    (0.43604, 0.38511, 0.14305),
    (0.22248, 0.71691, 0.06061),
    (0.01392, 0.09707, 0.71391),
)
"""Primaries of IEC 61966-2-1, adapted to D50 by Bradford's transform."""


@dataclass(frozen=True, eq=False)
class ToneCurve:
    """One channel's way from code to light."""

    to_light: NDArray[np.float32]
    """Shape (65536,), float32, 0 … 1, never falling: 0 is the channel's darkest and 1 its lightest
    value."""

    from_light: NDArray[np.uint16]
    """Shape (2**18 + 1,), uint16, by the square root of the light, which spends its steps in the
    shadows, where a gamma curve is steep."""

    def decode(self, codes: NDArray[np.uint16]) -> NDArray[np.float32]:
        """Light of device codes; any shape, float32, 0 … 1.

        Parameters
        ----------
        codes
            Device codes, any shape, dtype uint16.

        Returns
        -------
        Light of the same shape, float32, 0 … 1.
        """
        # Every code is in the table: saying what to do with others spares looking for them first.
        return np.take(self.to_light, codes, mode="clip")

    def encode(self, light: NDArray[np.float32]) -> NDArray[np.uint16]:
        """Device codes of light; any shape. Light outside 0 … 1 is clipped.

        Parameters
        ----------
        light
            Any shape; clipped to 0 … 1.

        Returns
        -------
        Device codes of the same shape, uint16.
        """
        roots = np.clip(light, 0, 1)
        np.sqrt(roots, out=roots)
        roots *= np.float32(_ROOTS)
        roots += np.float32(0.5)
        return np.take(self.from_light, roots.astype(np.intp), mode="clip")


@dataclass(frozen=True, eq=False)
class Tone:
    """How a profile's device values stand for light."""

    curves: tuple[ToneCurve, ...]
    """One per channel."""

    matrix: NDArray[np.float64] | None
    """From linear RGB to XYZ under D50, Y of white 1, when the profile is described by it
    completely; else None."""

    origin: str
    """Where the curves come from, in words."""


@lru_cache(maxsize=8)
def tone_of(profile: Profile) -> Tone:
    """The tone curves of an RGB or grey profile.

    Parameters
    ----------
    profile
        RGB or grey.

    Returns
    -------
    Its curves, and its matrix where that describes it completely.

    Raises
    ------
    ValueError
        For CMYK, which `ink_tone_of` is for, and Lab, whose channels are not amounts of light.
    """
    if profile.encoding not in (Encoding.RGB, Encoding.GREY):
        raise ValueError(f"{profile.encoding} has no curves from code to light")
    count = profile.encoding.channels
    names = ("rTRC", "gTRC", "bTRC") if profile.encoding is Encoding.RGB else ("kTRC",)
    # An engine uses the tables of a profile that has both (ICC.1:2022, 8.3 to 8.5).
    if "A2B0" not in profile.tags and profile.tags.keys() >= set(names):
        tags = [_tag(profile, name) for name in names]
        curves = {
            tag: _kept_curve({"curve": hashlib.sha256(tag).hexdigest()}, curve_samples, tag)
            for tag in set(tags)  # mostly one for all
        }
        in_order = tuple(curves[tag] for tag in tags)
        return Tone(in_order, _matrix(profile), "the profile's curves")
    curve = _kept_curve({"neutral axis": profile}, _neutral_axis, profile)
    return Tone((curve,) * count, None, "the profile's neutral axis")


@lru_cache(maxsize=8)
def ink_tone_of(profile: Profile) -> Tone:
    """The light that each ink of a CMYK profile lets pass, paper 1.

    Of each ink that part of the light which it is meant to take away, as instruments' colorimetric
    tone values are defined: X for cyan, Y for magenta and black, Z for yellow.

    Parameters
    ----------
    profile
        CMYK.

    Returns
    -------
    Curves over what an ink leaves of a full code, 65535 - code, so that more is lighter.

    Raises
    ------
    ValueError
        For what is not CMYK.
    """
    if profile.encoding is not Encoding.CMYK:
        raise ValueError(f"{profile.encoding} has no inks")
    points = np.linspace(0, CODES - 1, 257).round().astype(np.uint16)
    curves = []
    for ink, tristimulus in enumerate(_TAKEN_BY_INK):
        ramp = np.zeros((len(points), profile.encoding.channels), np.uint16)
        ramp[:, ink] = CODES - 1 - points
        light = lab_to_xyz(to_lab(profile, ramp))[:, tristimulus]
        passing = light / max(float(light[-1]), 1e-6)
        curves.append(_curve(np.interp(np.arange(CODES), points, passing)))
    return Tone(tuple(curves), None, "the profile's single inks")


def is_srgb(profile: Profile) -> bool:
    """Whether a profile means sRGB (IEC 61966-2-1), told by its numbers and not by its name.

    Matrix and curve may differ by 0.002, which is more than the rounding of any writer and less
    than any other space in use.

    Parameters
    ----------
    profile
        Any.

    Returns
    -------
    True when its numbers are those of sRGB.
    """
    if profile.encoding is not Encoding.RGB:
        return False
    tone = tone_of(profile)
    if tone.matrix is None or np.abs(tone.matrix - SRGB_TO_D50).max() > _SRGB_TOLERANCE:
        return False
    values = np.linspace(0, 1, CODES)
    expected = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    return all(np.abs(curve.to_light - expected).max() <= _SRGB_TOLERANCE for curve in tone.curves)


def _tag(profile: Profile, name: str) -> bytes:
    offset, size = profile.tags[name]
    return profile.data[offset : offset + size]


def curve_samples(tag: bytes) -> NDArray[np.float64]:
    """A curve's value for each of the 65536 codes."""
    values = np.linspace(0, 1, CODES)
    if tag[:4] == b"curv":
        count = struct.unpack_from(">I", tag, 8)[0]
        if count == 0:
            return values
        if count == 1:
            return np.asarray(values ** (struct.unpack_from(">H", tag, 12)[0] / 256))
        points = np.frombuffer(tag, ">u2", count, 12) / 65535
        return np.interp(values, np.linspace(0, 1, count), points)
    kind = struct.unpack_from(">H", tag, 8)[0]
    size = (1, 3, 4, 5, 7)[kind]
    g, a, b, c, d, e, f = [
        *(number / 65536 for number in struct.unpack_from(f">{size}i", tag, 12)),
        *[0.0] * 6,
    ][:7]
    power = np.maximum(a * values + b, 0) ** g if kind else values**g
    match kind:
        case 0 | 1:
            return np.asarray(power)
        case 2:
            return np.asarray(power + c)
        case _:
            return np.asarray(np.where(values >= d, power + e, c * values + f))


def _matrix(profile: Profile) -> NDArray[np.float64] | None:
    if profile.encoding is not Encoding.RGB or profile.pcs != "XYZ ":
        return None
    columns = [
        np.frombuffer(_tag(profile, name), ">i4", 3, 8) / 65536 for name in ("rXYZ", "gXYZ", "bXYZ")
    ]
    return np.stack(columns, axis=1)


def _neutral_axis(profile: Profile) -> NDArray[np.float64]:
    """Relative luminance along equal device values, scaled so that black is 0 and white is 1."""
    points = np.linspace(0, CODES - 1, 257).round().astype(np.uint16)
    ramp = np.repeat(points[None, :, None], profile.encoding.channels, axis=2)
    lab = convert_pixels(ramp, profile, lab_profile(), Intent.RELATIVE_COLORIMETRIC, NO_GRID)
    lightness = lab[0, :, 0] / 655.35
    luminance = luminance_of(lightness)
    scaled = (luminance - luminance[0]) / max(float(luminance[-1] - luminance[0]), 1e-6)
    return np.asarray(np.interp(np.arange(CODES), points, scaled))


def luminance_of(lightness: NDArray[np.float64]) -> NDArray[np.float64]:
    """Relative luminance Y, 0 … 1, of CIE lightness L*, 0 … 100 (CIE 15:2018, 8.2.1)."""
    root = (lightness + 16) / 116
    return np.where(root > 6 / 29, root**3, 3 * (6 / 29) ** 2 * (root - 4 / 29))


def _kept_curve(
    depends: Mapping[str, object], sample: Callable[[Given], NDArray[np.float64]], of: Given
) -> ToneCurve:
    """Return a curve, kept from job to job: to make one takes as long as to read half a band."""

    def arrays() -> Arrays:
        curve = _curve(sample(of))
        return {"to_light": curve.to_light, "from_light": curve.from_light}

    kept = arrays_for("tone curve", depends, arrays)
    return ToneCurve(kept["to_light"], kept["from_light"])


def _curve(samples: NDArray[np.float64]) -> ToneCurve:
    rising = np.maximum.accumulate(np.clip(samples, 0, 1))
    light = (np.arange(_ROOTS + 1) / _ROOTS) ** 2
    codes = np.interp(light, rising, np.arange(CODES))
    return ToneCurve(rising.astype(np.float32), np.rint(codes).astype(np.uint16))
