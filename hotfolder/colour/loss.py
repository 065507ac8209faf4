"""How far colours are from what comes out of a destination: two questions, kept apart.

*Loss* is what the delivered picture loses, for any cause. The picture is converted as it will be
and compared with what it asks for: itself, its black scaled to the destination's where the
conversion compensates for it, so that a weaker black does not count as loss everywhere. Where
nothing compensates, shadows below the destination's black are lost, and with absolute colorimetric
whites beyond the paper are. What a profile's own tables round is in it, about one ΔE inside the
gamut, so it is measured for each profile, and what is not above it does not count as lost.

*Shift* is how far the conversion moves colours from the original: relative to the two whites, or
in absolute terms when the intent is absolute colorimetric.

What of a loss the medium cannot help is another question: `hotfolder.colour.medium`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from hotfolder.colour.arrays import Codes, Floats
from hotfolder.colour.detail import Reach
from hotfolder.colour.difference import Parts, delta_e_00, delta_e_00_parts
from hotfolder.colour.engine import NO_GRID, convert_pixels, to_lab
from hotfolder.colour.kept_points import arrays_for
from hotfolder.colour.medium import largest_ink_sum, nearest
from hotfolder.colour.profile import Profile, ProfileError
from hotfolder.colour.rendering import can_be_deepened, has_hues, wanted_colours, wanted_of
from hotfolder.colour.slabs import over_slabs
from hotfolder.colour.transform import Precision, Transform
from hotfolder.disk.kept_arrays import Arrays
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent
from hotfolder.model.rendering import Rendering, Way

NOISE_COLOURS = 10_000
"""Enough for the 99th percentile: a hundred colours lie beyond it."""

HOPELESS = 1.1
"""Times what is enough: where the search from the table's answer ends farther off than that, no
other start brings a colour within reach. Among 32,500 lost ones of thirteen photographs on three
media, and 20,000 random ones of a wide space on five, those that another start did bring there had
ended at 1.003 times at most; among 136,000 of all photographs at hand on two media, none was found
by a start from 1.02 times or farther."""

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

    @property
    def compensates(self) -> bool:
        """Whether black point compensation takes place; see `Transform.compensates`."""
        if self.intent is Intent.ABSOLUTE_COLORIMETRIC or self.source == self.destination:
            return False
        pleases = self.intent in (Intent.PERCEPTUAL, Intent.SATURATION)
        return self.black_point_compensation or (pleases and self.destination.is_version_4)

    @property
    def moves_on_purpose(self) -> bool:
        """Whether colours that fit are moved as well: to make room, to keep apart, to please."""
        if self.source == self.destination:
            return False
        return (
            self.intent in (Intent.PERCEPTUAL, Intent.SATURATION)
            or (self.rendering is Rendering.DETAIL and has_hues(self.destination))
            or (self.depth and can_be_deepened(self.source, self.destination))
        )

    @property
    def way(self) -> Way:
        """How colours find their way, under the name that a person gives it."""
        return Way(self.intent, self.rendering, self.depth)

    @property
    def seen_with(self) -> Intent:
        """How colours are compared: relative to the two whites, or absolute."""
        absolute = self.intent is Intent.ABSOLUTE_COLORIMETRIC
        return Intent.ABSOLUTE_COLORIMETRIC if absolute else Intent.RELATIVE_COLORIMETRIC


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


def losses(
    route: Route,
    pixels: Codes,
    transform: Transform | None = None,
    *,
    converted: Codes | None = None,
) -> tuple[Floats, Floats]:
    """Compute loss and shift of every pixel; slow, meant for thousands of pixels.

    Parameters
    ----------
    route
        From where to where.
    pixels
        Shape (..., channels of the source), dtype uint16.
    transform
        What delivers them; unless given, the route's conversion without any grid.
    converted
        What it makes of them, where that is known: shape (..., channels of the destination).

    Returns
    -------
    Two arrays, float64, shape (...): ΔE00 of loss, ΔE00 of shift.
    """
    original, made = before_and_after(route, pixels, transform, converted=converted)
    shift = delta_e_00(original, made)
    if not route.compensates:  # what is asked for is the original
        return shift, shift
    asked = wanted_of(route.source, route.destination, original)
    return delta_e_00(asked, made), shift


def wanted(route: Route, pixels: Codes) -> Floats:
    """Say which colours a picture asks for.

    Its black is scaled to the destination's if the conversion does so; nobody can ask more of the
    destination then. Depth lays lightness otherwise, and asks for nothing else: it is a way to
    deliver, as perceptual is.

    Parameters
    ----------
    route
        From where to where.
    pixels
        Shape (..., channels of the source), dtype uint16.

    Returns
    -------
    Shape (..., 3): L*a*b*, relative to the two whites; absolute when the intent is.
    """
    if route.compensates:
        return wanted_colours(route.source, route.destination, pixels)
    return to_lab(route.source, pixels, route.seen_with)


def medium_losses(
    route: Route, pixels: Codes, *, enough: float, ink_limit: float | None = None
) -> Floats:
    """Say how far the colours that a picture asks for are from what its medium can make at all.

    Slow, meant for some thousand colours: those that are lost.

    Parameters
    ----------
    route
        From where to where; says what is asked for, not how it is converted.
    pixels
        Shape (n, channels of the source), dtype uint16.
    enough
        ΔE00 up to which a colour counts as one that can be made; nothing nearer is searched for.
    ink_limit
        Largest sum of inks, 1 is one solid ink; never more than the profile's table lays anywhere.

    Returns
    -------
    float64, shape (n,), ΔE00: above `enough` for what the medium cannot make.
    """
    medium = route.destination
    if route.source == medium:
        return np.zeros(len(pixels))
    most = None
    if medium.encoding is Encoding.CMYK:
        most = min(largest_ink_sum(medium), np.inf if ink_limit is None else ink_limit)
    found = nearest(
        medium,
        wanted(route, pixels),
        ink_limit=most,
        seen_with=route.seen_with,
        enough=enough,
        hopeless=HOPELESS * enough,
    )
    return found.loss


def before_and_after(
    route: Route,
    pixels: Codes,
    transform: Transform | None = None,
    *,
    converted: Codes | None = None,
) -> tuple[Floats, Floats]:
    """Say which colours the original has, and which come out as the picture will be converted.

    Parameters
    ----------
    route
        From where to where.
    pixels
        Shape (..., channels of the source), dtype uint16.
    transform, converted
        As `losses` takes them.

    Returns
    -------
    Two arrays, shape (..., 3): L*a*b*, relative to their whites, or absolute when the intent is.
    """
    original = to_lab(route.source, pixels, route.seen_with)
    if route.source == route.destination:
        return original, original
    if converted is None:
        flat = pixels.reshape(1, -1, pixels.shape[-1])
        converted = (transform or _exact(route)).apply(flat)
    made = to_lab(route.destination, converted, route.seen_with)
    return original, made.reshape(original.shape)


def conversion_of(route: Route, precision: Precision) -> Transform:
    """Make the conversion of a route; that may cost as much as converting 20,000 colours."""
    return Transform(
        route.source,
        route.destination,
        route.intent,
        black_point_compensation=route.black_point_compensation,
        precision=precision,
        rendering=route.rendering,
        depth=route.depth,
        reach=route.reach,
    )


@lru_cache(maxsize=8)
def _exact(route: Route) -> Transform:
    return conversion_of(route, Precision.EXACT)


def shift_parts(route: Route, pixels: Codes, transform: Transform | None = None) -> Parts:
    """Split the shift of colours into lightness, chroma and hue.

    Parameters
    ----------
    route
        From where to where.
    pixels
        Shape (n, channels of the source), dtype uint16.
    transform
        As `losses` takes it.

    Returns
    -------
    Parts of shape (n,).
    """

    def compute(start: int, stop: int) -> Parts:
        return delta_e_00_parts(*before_and_after(route, pixels[start:stop], transform))

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
    made = arrays_for("round trip noise", {"profile": profile}, lambda: _measure_noise(profile))
    return Noise(*map(float, made["noise"]))


def _measure_noise(profile: Profile) -> Arrays:
    shape = (1, NOISE_COLOURS, profile.encoding.channels)
    pixels = np.random.default_rng(_NOISE_SEED).integers(0, 65536, shape, dtype=np.uint16)
    intent = Intent.RELATIVE_COLORIMETRIC
    first = convert_pixels(pixels, profile, profile, intent, NO_GRID)
    second = convert_pixels(first, profile, profile, intent, NO_GRID)
    difference = delta_e_00(to_lab(profile, first), to_lab(profile, second))
    p95, p99 = np.percentile(difference, [95, 99])
    return {"noise": np.array([difference.mean(), p95, p99])}
