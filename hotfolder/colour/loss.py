"""How far colours are from what comes out of a destination: two questions, kept apart.

*Loss* is what the destination cannot make. The picture goes to the destination and back,
relative colorimetric with black point compensation, and is compared with the picture whose black
has been scaled to the destination's in the same way; so a weaker black does not count as loss
everywhere. What a profile's own tables round is in it, about one ΔE inside the gamut, so it is
measured for each profile, and what is not above it does not count as lost.

*Shift* is how far the destination's chosen rendering intent moves colours from the original:
relative to the two whites, or in absolute terms when the intent is absolute colorimetric.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from hotfolder.colour.arrays import Codes, Floats
from hotfolder.colour.detail import Reach
from hotfolder.colour.difference import Parts, delta_e_00, delta_e_00_parts
from hotfolder.colour.engine import NO_GRID, convert_pixels, to_lab
from hotfolder.colour.profile import Profile, ProfileError
from hotfolder.colour.rendering import wanted_colours
from hotfolder.colour.slabs import over_slabs
from hotfolder.colour.transform import Precision, Transform
from hotfolder.model.intent import Intent
from hotfolder.model.rendering import Rendering

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

    rendering: Rendering = Rendering.INTENT
    """Of the conversion; `intent` counts for all."""

    depth: bool = False
    """Whether lightness goes by the curve of `hotfolder.colour.depth`."""

    reach: Reach | None = None
    """Of the picture beyond the destination, for detail; None while that is not known."""


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
    The same two profiles and rendering, relative colorimetric with black point compensation.
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
    return wanted_colours(route.source, route.destination, pixels, depth=route.depth)


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
        rendering=route.rendering,
        depth=route.depth,
        reach=route.reach,
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
