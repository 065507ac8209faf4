"""Renderings of our own: device values as a function of colour alone.

A profile's table to device stays half a ΔE00 to two off what its own measurements say can be made.
`Refined` aims at every colour as it is, relative to the two whites, begins at the table's answer
and searches by the measurement model. `Detail` first brings in what the medium cannot make.
`Deepened` lays lightness onto the medium's range by a curve and leaves the rest to the table; the
others can do so as well. Each is what a `hotfolder.colour.grid.Grid` takes for its exact
conversion. They are computed from the profile's measurements; a measured strip proves it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from hotfolder.colour.arrays import Codes, Floats
from hotfolder.colour.black_point import black_luminance, compensated
from hotfolder.colour.depth import CHANGES_ABOVE, deepened, lightness_of
from hotfolder.colour.detail import Reach, bring_in, reach_of
from hotfolder.colour.engine import to_lab
from hotfolder.colour.gamut_boundary import boundary_of
from hotfolder.colour.inversion import invert
from hotfolder.colour.machine_code import compiled, made, seen
from hotfolder.colour.measurement_model import measurement_model
from hotfolder.colour.medium import by_table
from hotfolder.colour.profile import Profile
from hotfolder.model.encoding import Encoding
from hotfolder.model.rendering import DETAIL, PERCEPTUAL, REFINED, RELATIVE, Way

LOOKED_AT_PIXELS = 10_000
"""About how many pixels of a picture its reach is measured by. With twice as many, fifteen
photographs on three media kept as much contrast, to 0.0004, at the same mean, to 0.0004 ΔE00."""


def can_be_refined(medium: Profile) -> bool:
    """Say whether a profile goes to device through a table; a matrix or a curve is exact.

    Parameters
    ----------
    medium
        A profile.

    Returns
    -------
    True where the rendering refined can come nearer than the profile does itself.
    """
    return not {"B2A0", "B2A1"}.isdisjoint(medium.tags)


def has_hues(medium: Profile) -> bool:
    """Say whether a medium makes colours, in which `Detail` can keep neighbours apart.

    Parameters
    ----------
    medium
        Of a destination.

    Returns
    -------
    Whether it does.
    """
    return medium.encoding in (Encoding.RGB, Encoding.CMYK)


def can_be_deepened(source: Profile, medium: Profile) -> bool:
    """Say whether a medium's black is so much weaker than the picture's that depth shows."""
    lacking = lightness_of(black_luminance(medium)) - lightness_of(black_luminance(source))
    return lacking > CHANGES_ABOVE


def allowed_ways(medium: Profile) -> tuple[Way, ...]:
    """List the ways that a medium's profile allows a picture, relative colorimetric first.

    Depth is not among them: it goes with each that is relative colorimetric.

    Parameters
    ----------
    medium
        Of a destination.

    Returns
    -------
    One way or more.
    """
    ways = [RELATIVE]
    ways += [PERCEPTUAL] if medium.has_intent(PERCEPTUAL.intent, "to device") else []
    ways += [REFINED] if can_be_refined(medium) else []
    ways += [DETAIL] if has_hues(medium) else []
    return tuple(ways)


def is_black_weak(medium: Profile) -> bool:
    """Say whether depth shows on a medium for pictures whose own black is black."""
    return lightness_of(black_luminance(medium)) > CHANGES_ABOVE


def wanted_colours(
    source: Profile, medium: Profile, pixels: Codes, *, depth: bool = False
) -> Floats:
    """Compute what a picture asks of a medium: its colours, black scaled to the medium's.

    Parameters
    ----------
    source, medium
        Profiles.
    pixels
        Shape (..., channels of the source), dtype uint16.
    depth
        Lightness goes by the curve of `hotfolder.colour.depth` instead, if that
        `can_be_deepened`.

    Returns
    -------
    Shape (..., 3): L*a*b* relative to the two whites.
    """
    return wanted_of(source, medium, to_lab(source, pixels), depth=depth)


def wanted_of(source: Profile, medium: Profile, lab: Floats, *, depth: bool = False) -> Floats:
    """Compute the same of colours that are known: L*a*b* relative to the source's white."""
    if source == medium:
        return lab
    scale = deepened if depth and can_be_deepened(source, medium) else compensated
    return scale(lab, black_luminance(source), black_luminance(medium))


def find_reach(source: Profile, medium: Profile, reduced: Codes, *, depth: bool = False) -> Reach:
    """Measure how far a picture goes beyond a medium, for `Detail`.

    Parameters
    ----------
    source, medium
        Profiles.
    reduced
        A reduced copy of the picture: shape (rows, width, channels of the source), dtype uint16.
    depth
        Whether depth is asked for.

    Returns
    -------
    The reach; nothing where the medium has no hues.
    """
    if not has_hues(medium):
        return Reach()
    step = reach_step(*reduced.shape[:2])
    looked_at = np.ascontiguousarray(reduced[::step, ::step])
    return reach_of(boundary_of(medium), wanted_colours(source, medium, looked_at, depth=depth))


def reach_step(rows: int, width: int) -> int:
    """Say how few pixels of a reduced copy `find_reach` looks at.

    Parameters
    ----------
    rows, width
        Of the copy.

    Returns
    -------
    One of so many along each side; of what is left then, at each.
    """
    return int(max(1, round((rows * width / LOOKED_AT_PIXELS) ** 0.5)))


def separate(medium: Profile, wanted: Floats) -> Codes:
    """Find device values for colours: the table's, refined.

    Parameters
    ----------
    medium
        A destination's profile.
    wanted
        Shape (n, 3): L*a*b* relative to the medium's white.

    Returns
    -------
    uint16, shape (n, channels). The sum of the inks of CMYK is nowhere more than the table's. Of
    a profile that cannot be refined, what its matrix or curve says.
    """
    start = by_table(medium, wanted)
    if not can_be_refined(medium):
        return start
    cap = start.sum(axis=1) / 65535 if medium.encoding is Encoding.CMYK else None
    device = invert(measurement_model(medium), wanted, start / 65535, cap=cap)
    return _rounded(device, cap)


def _rounded(device: Floats, cap: Floats | None) -> Codes:
    """Round to codes, and take the codes that may be too many from the inks rounded up most."""
    codes = np.empty(device.shape, np.uint16)
    caps = np.full(len(device), np.inf) if cap is None else np.ascontiguousarray(cap)
    _round(np.ascontiguousarray(device), caps, codes)
    return codes


@compiled(seen("f8", 2), seen("f8", 1), made("u2", 2))
def _round(device: Floats, caps: Floats, out: Codes) -> None:
    channels = device.shape[1]
    for colour in range(len(device)):
        total = 0.0
        for channel in range(channels):
            code = np.rint(device[colour, channel] * 65535)
            total += code
            out[colour, channel] = np.uint16(code)
        excess = total - caps[colour] * 65535
        while excess > 1e-6:
            which, most = -1, -1.0
            for channel in range(channels):
                up = out[colour, channel] - device[colour, channel] * 65535
                if out[colour, channel] > 0 and up > most:
                    which, most = channel, up
            if which < 0:
                break
            out[colour, which] -= np.uint16(1)
            excess -= 1


@dataclass(frozen=True)
class Refined:
    """Relative colorimetric, by the measurement model of a profile that `can_be_refined`."""

    source: Profile
    medium: Profile
    black_point_compensation: bool = True
    """Whether the source's black is scaled to the medium's."""

    depth: bool = False
    """Whether that is done by the curve of `hotfolder.colour.depth`."""

    def aim(self, pixels: Codes) -> Floats:
        """Say which colours are aimed at.

        Shape (..., channels of the source), dtype uint16, to (n, 3).
        """
        if self.black_point_compensation or self.depth:
            wanted = wanted_colours(self.source, self.medium, pixels, depth=self.depth)
        else:
            wanted = to_lab(self.source, pixels)
        return wanted.reshape(-1, 3)

    def convert(self, pixels: Codes) -> Codes:
        """Convert pixels.

        Shape (..., channels of the source) to (..., channels of the medium), dtype uint16.
        """
        device = separate(self.medium, self.aim(pixels))
        return device.reshape(*pixels.shape[:-1], -1)


@dataclass(frozen=True)
class Deepened(Refined):
    """Relative colorimetric by the table, after depth."""

    depth: bool = True

    def convert(self, pixels: Codes) -> Codes:
        """Convert pixels, as `Refined.convert` does."""
        device = by_table(self.medium, self.aim(pixels))
        return device.reshape(*pixels.shape[:-1], -1)


@dataclass(frozen=True)
class Detail(Refined):
    """Refined, and what does not fit brought in against one picture's own reach.

    For media that `has_hues` says yes to.
    """

    reach: Reach = field(default_factory=Reach)
    """Of the picture, as `find_reach` measures it."""

    def aim(self, pixels: Codes) -> Floats:
        """Say which colours are aimed at, as `Refined.aim` does."""
        return bring_in(boundary_of(self.medium), self.reach, super().aim(pixels))
