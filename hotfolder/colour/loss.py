"""How far colours are from what comes out of a destination: two questions, kept apart.

*Loss* is what the destination cannot make. The picture goes to the destination and back,
relative colorimetric with black point compensation, and is compared with the picture whose black
has been scaled to the destination's in the same way; so a weaker black does not count as loss
everywhere. What a profile's own tables round is in it, about one ΔE inside the gamut, so it is
measured for each profile, and what is not above it does not count as lost.

*Shift* is how far the destination's chosen rendering intent moves colours from the original:
relative to the two whites, or in absolute terms when the intent is absolute colorimetric.

Black point compensation is the law of ISO 18619:2015 as published with LittleCMS: per component
of XYZ, out = A in + B, with A = (BP_out - W) / (BP_in - W), B = -W (BP_out - BP_in) / (BP_in - W)
and neutral black points.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import imagecodecs
import numpy as np

from hotfolder.colour.arrays import Codes, Floats
from hotfolder.colour.difference import Parts, delta_e_00, delta_e_00_parts
from hotfolder.colour.encodings import D50_XYZ, lab_to_xyz, xyz_to_lab
from hotfolder.colour.profile import LITTLECMS_NAMES, Profile, ProfileError, lab_profile
from hotfolder.colour.slabs import over_slabs
from hotfolder.colour.transform import (
    BLACK_POINT_COMPENSATION,
    NO_GRID,
    Precision,
    Transform,
    convert_pixels,
    to_lab,
)
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent

NOISE_COLOURS = 10_000
"""Enough for the 99th percentile: a hundred colours lie beyond it."""

_NOISE_SEED = 0


@dataclass(frozen=True)
class Route:
    """From where to where, and how the pixels will be converted in the end."""

    source: Profile
    """What gives the picture's numbers their meaning."""

    destination: Profile
    """The medium's profile."""

    intent: Intent = Intent.RELATIVE_COLORIMETRIC
    """Rendering intent of the conversion."""

    black_point_compensation: bool = True
    """Whether the source's black is scaled to the destination's."""


@dataclass(frozen=True)
class Noise:
    """What going from device values to colour and back changes where nothing should: ΔE00."""

    mean: float
    """On average."""

    p95: float
    """Exceeded by one colour in twenty."""

    p99: float
    """Exceeded by one colour in a hundred."""

    def summary(self) -> dict[str, float]:
        """Return the three figures under their names, rounded as other differences are."""
        return {"mean": round(self.mean, 3), "p95": round(self.p95, 3), "p99": round(self.p99, 3)}


def losses(route: Route, pixels: Codes) -> tuple[Floats, Floats]:
    """Compute loss and shift of every pixel exactly; slow, meant for thousands of pixels.

    Parameters
    ----------
    route
        From where to where.
    pixels
        Shape (..., channels of the source), dtype uint16.

    Returns
    -------
    Two arrays, float64, shape (...): ΔE00 of loss, ΔE00 of shift.
    """
    original, made = before_and_after(route, pixels)
    shift = delta_e_00(original, made)
    best = made if route == best_of(route) else before_and_after(best_of(route), pixels)[1]
    return delta_e_00(wanted(route, pixels), best), shift


def best_of(route: Route) -> Route:
    """Return the way by which a destination gives all it can: what does not come out is lost.

    Parameters
    ----------
    route
        Any.

    Returns
    -------
    The same two profiles, relative colorimetric with black point compensation.
    """
    return replace(route, intent=Intent.RELATIVE_COLORIMETRIC, black_point_compensation=True)


def wanted(route: Route, pixels: Codes) -> Floats:
    """Say which colours a picture asks for, its black scaled to the destination's.

    Nobody can ask more of the destination.

    Parameters
    ----------
    route
        From where to where.
    pixels
        Shape (..., channels of the source), dtype uint16.

    Returns
    -------
    Shape (..., 3): L*a*b*, relative to the two whites.
    """
    lab = to_lab(route.source, pixels)
    if route.source == route.destination:
        return lab
    return compensated(lab, black_luminance(route.source), black_luminance(route.destination))


def before_and_after(route: Route, pixels: Codes) -> tuple[Floats, Floats]:
    """Say which colours the original has, and which come out as the picture will be converted.

    Parameters
    ----------
    route
        From where to where.
    pixels
        Shape (..., channels of the source), dtype uint16.

    Returns
    -------
    Two arrays, shape (..., 3): L*a*b*, relative to their whites, or absolute when the intent is.
    """
    absolute = route.intent is Intent.ABSOLUTE_COLORIMETRIC
    seen_with = Intent.ABSOLUTE_COLORIMETRIC if absolute else Intent.RELATIVE_COLORIMETRIC
    original = to_lab(route.source, pixels, seen_with)
    if route.source == route.destination:
        return original, original
    flat = pixels.reshape(1, -1, pixels.shape[-1])
    made = to_lab(route.destination, _exact(route).apply(flat), seen_with)
    return original, made.reshape(original.shape)


@lru_cache(maxsize=8)
def _exact(route: Route) -> Transform:
    """The route's conversion; making one costs as much as converting 20,000 colours."""
    return Transform(
        route.source,
        route.destination,
        route.intent,
        black_point_compensation=route.black_point_compensation,
        precision=Precision.EXACT,
    )


def shift_parts(route: Route, pixels: Codes) -> Parts:
    """Split the shift of colours into lightness, chroma and hue, exactly.

    Parameters
    ----------
    route
        From where to where.
    pixels
        Shape (n, channels of the source), dtype uint16.

    Returns
    -------
    Parts of shape (n,).
    """

    def compute(start: int, stop: int) -> Parts:
        return delta_e_00_parts(*before_and_after(route, pixels[start:stop]))

    slabs = over_slabs(compute, len(pixels), 1, worth_a_thread=10_000)
    lightness, chroma, hue, total = (
        np.concatenate([getattr(slab, name) for slab in slabs])
        for name in ("lightness", "chroma", "hue", "total")
    )
    return Parts(lightness, chroma, hue, total)


@lru_cache(maxsize=8)
def round_trip_noise(profile: Profile) -> Noise:
    """Measure what a profile's tables change on the way from device to colour and back.

    Device values that the profile itself makes for colours become colours, which are in gamut for
    that reason; those become device values again, and colours. The difference of the two colours
    should be nothing, and is what the tables' grids and roundings leave. Media-relative
    colorimetric. The first device values are made from random ones: among those, an ink printer's
    profile has many that it never makes, too full of ink.

    Parameters
    ----------
    profile
        Of a destination.

    Returns
    -------
    Mean and percentiles of the difference, ΔE00.
    """
    if not profile.can_be_destination:
        raise ProfileError(f"{profile.description} describes an input device only")
    shape = (1, NOISE_COLOURS, profile.encoding.channels)
    pixels = np.random.default_rng(_NOISE_SEED).integers(0, 65536, shape, dtype=np.uint16)
    intent = Intent.RELATIVE_COLORIMETRIC
    first = convert_pixels(pixels, profile, profile, intent, NO_GRID)
    second = convert_pixels(first, profile, profile, intent, NO_GRID)
    difference = delta_e_00(to_lab(profile, first), to_lab(profile, second))
    p95, p99 = np.percentile(difference, [95, 99])
    return Noise(float(difference.mean()), float(p95), float(p99))


def compensated(lab: Floats, black_in: float, black_out: float) -> Floats:
    """Scale colours from one black to another, white kept.

    Parameters
    ----------
    lab
        Shape (..., 3), media-relative.
    black_in, black_out
        Luminance of the two blacks, white = 1.
    """
    a = (1 - black_out) / (1 - black_in)
    b = (black_out - black_in) / (1 - black_in)
    return xyz_to_lab(a * lab_to_xyz(lab) + b * np.array(D50_XYZ))


@lru_cache(maxsize=8)
def black_luminance(profile: Profile) -> float:
    """Luminance of the black that LittleCMS compensates for in a profile, white = 1.

    Read off what compensation towards a black of zero does to a mid tone:
    Y' = (Y - BP) / (1 - BP), solved for BP. The darkest colour that comes out of the profile's
    tables would not do: their rounding makes it up to one L* lighter, and all greys with it.

    Parameters
    ----------
    profile
        Any.

    Returns
    -------
    0 … 1; 0 is no light at all.
    """
    middle = np.full((1, 1, profile.encoding.channels), 32768, dtype=np.uint16)
    before, after = (
        float(lab_to_xyz(_through_lab(profile, middle, flags))[..., 1].item())
        for flags in (NO_GRID, NO_GRID | BLACK_POINT_COMPENSATION)
    )
    return max(0.0, (before - after) / (1 - after))


def _through_lab(profile: Profile, pixels: Codes, flags: int) -> Floats:
    lab: Floats = imagecodecs.cms_transform(
        pixels[..., 0] if profile.encoding is Encoding.GREY else pixels,
        profile.data,
        lab_profile().data,
        colorspace=LITTLECMS_NAMES[profile.encoding],
        outcolorspace="lab",
        outdtype="float64",
        intent=Intent.RELATIVE_COLORIMETRIC.code,
        flags=flags,
    )
    return lab
