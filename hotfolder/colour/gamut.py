"""How large a medium's gamut is, and in which hues it is short.

The volume is that of the boundary that `hotfolder.colour.gamut_boundary` draws from the medium's
own measurements, for every page and command that says one. What is short is told by the rule by
which a picture's loss is: what of sRGB, its black scaled to the medium's, does not come out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.engine import to_lab
from hotfolder.colour.gamut_boundary import HUES, boundary_of
from hotfolder.colour.hues import HUES as NAMES
from hotfolder.colour.hues import hue_numbers
from hotfolder.colour.loss import Route, before_and_after, round_trip_noise, wanted
from hotfolder.colour.medium import by_table
from hotfolder.colour.oklab import oklab_to_lab
from hotfolder.colour.profile import Profile
from hotfolder.colour.rendering import has_hues
from hotfolder.colour.spaces import SRGB_CURVE, SRGB_PRIMARIES, rgb_profile

TOLERANCE = 3.0
"""ΔE00 above which a colour counts as lost, as in the gamut check where nothing else is said."""

STEP = 5
"""Distance of the colours of sRGB that are tried, in L*, a* and b*."""

_INSIDE = np.array([50.0, 0.0, 0.0])
_FITS_WITHIN = 0.5


@dataclass(frozen=True)
class Gamut:
    """What a medium can show."""

    volume: float
    """In cubic units of L*, a*, b*, relative to the medium's white."""

    share_of_srgb: float
    """That volume over sRGB's."""

    short_by_hue: Mapping[str, float]
    """Share of sRGB's colours of each hue that the medium cannot make, 0 … 1, worst first."""

    tolerance: float
    """ΔE00 from which a colour counts as one that cannot be made."""


@lru_cache(maxsize=16)
def gamut_of(profile: Profile) -> Gamut:
    """Measure a medium's gamut by its profile.

    Parameters
    ----------
    profile
        Of a destination.

    Returns
    -------
    Volume, and hues that are short.

    Raises
    ------
    ProfileError
        When the profile describes an input device only.
    """
    noise = round_trip_noise(profile)
    tolerance = max(TOLERANCE, noise.p99)
    source = _srgb()
    codes, lab = _srgb_colours()
    route = Route(source, profile)
    lost = delta_e_00(wanted(route, codes), before_and_after(route, codes)[1]) > tolerance
    hue = hue_numbers(lab)
    shares = {
        name: float(lost[hue == number].mean())
        for number, name in enumerate(NAMES[:-1])
        if (hue == number).any()
    }
    volume = gamut_volume(profile) if has_hues(profile) else 0.0
    return Gamut(
        round(volume),
        round(volume / gamut_volume(source), 3),
        {hue: round(share, 3) for hue, share in sorted(shares.items(), key=lambda each: -each[1])},
        round(tolerance, 2),
    )


@lru_cache(maxsize=16)
def gamut_volume(profile: Profile, ink_limit: float | None = None) -> float:
    """Measure the volume of what a medium can make, in cubic units of CIELAB.

    Parameters
    ----------
    profile
        RGB or CMYK.
    ink_limit
        As `hotfolder.colour.gamut_boundary.boundary_of` takes it.

    Raises
    ------
    ValueError
        For a device with one channel, which has no hues.
    """
    boundary = boundary_of(profile, ink_limit)
    chroma = np.concatenate([boundary.chroma, boundary.chroma[:1]])
    hue = np.radians(np.arange(HUES + 1) * 360 / HUES)[:, None]
    lightness = np.linspace(boundary.darkest, boundary.lightest, chroma.shape[1])
    mesh = np.stack(
        [np.broadcast_to(lightness, chroma.shape), chroma * np.cos(hue), chroma * np.sin(hue)],
        axis=-1,
    )
    return abs(_signed_volume(oklab_to_lab(mesh) - _INSIDE))


def _signed_volume(mesh: NDArray[np.float64]) -> float:
    """Sum tetrahedra from the origin to the triangles of a mesh, shape (n, m, 3)."""
    a, b, c, d = mesh[:-1, :-1], mesh[1:, :-1], mesh[1:, 1:], mesh[:-1, 1:]
    return float((a * (np.cross(b, c) + np.cross(c, d))).sum() / 6)


@lru_cache(maxsize=1)
def _srgb() -> Profile:
    return Profile.parse(rgb_profile("sRGB", SRGB_PRIMARIES, SRGB_CURVE))


@lru_cache(maxsize=1)
def _srgb_colours() -> tuple[Codes, NDArray[np.float64]]:
    """Return sRGB's colours at equal distances: codes, shape (n, 3), and L*a*b*."""
    L, a, b = np.meshgrid(
        np.arange(STEP, 100, STEP), np.arange(-90, 101, STEP), np.arange(-115, 101, STEP)
    )
    lab = np.stack([L, a, b], axis=-1).reshape(-1, 3).astype(np.float64)
    codes = by_table(_srgb(), lab)
    made = to_lab(_srgb(), codes[None])[0]
    fits = np.asarray(delta_e_00(lab, made) < _FITS_WITHIN)
    return np.ascontiguousarray(codes[fits]), lab[fits]
