"""What a medium can make, by its profile's measurement model, and how far from it its table stays.

*Medium loss* is the difference of a colour from the nearest one that the medium can make at all,
within an ink limit and whatever becomes of neighbouring colours. *Table loss* is the difference
from what the profile's table to device makes of it. The second is never less than the first by
more than rounding: what lies between the two can be had from the same medium by inverting its
measurement model.

Both are told for colours whose black has been scaled to the medium's, if that is wanted: a darker
black is nothing that any separation could bring (`hotfolder.colour.black_point`). Colours are
relative to the medium's white, or absolute: an absolute white lighter than the paper is out of
reach as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes, Floats
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.engine import NO_GRID, call
from hotfolder.colour.inversion import invert
from hotfolder.colour.kept_points import number_for
from hotfolder.colour.measurement_model import MeasurementModel, measurement_model
from hotfolder.colour.patchwork import COLOURS_PER_CALL
from hotfolder.colour.profile import Profile, ProfileError, lab_profile
from hotfolder.colour.slabs import over_slabs
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent

FITS_WITHIN = 0.2
"""ΔE00 below which the search for something nearer ends. Far below any tolerance."""

_SCATTERED_SIDE = {1: 129, 3: 21, 4: 11}
_STARTS = 4
_LOOKED_AT = 24


@dataclass(frozen=True, eq=False)
class Nearest:
    """The nearest colours that a medium can make."""

    device: NDArray[np.float64]
    """Shape (n, channels), 0 … 1."""

    lab: NDArray[np.float64]
    """What the measurement model makes of them: shape (n, 3), L*a*b*."""

    loss: NDArray[np.float64]
    """How far they are from what was wanted: shape (n,), ΔE00."""


def by_table(
    profile: Profile, wanted: Floats, seen_with: Intent = Intent.RELATIVE_COLORIMETRIC
) -> Codes:
    """Ask a profile's own table (or matrix) for the device values of colours.

    Parameters
    ----------
    wanted
        Shape (n, 3): L*a*b*.
    seen_with
        Relative colorimetric for colours relative to the medium's white, or absolute.

    Returns
    -------
    uint16, shape (n, channels).

    Raises
    ------
    ProfileError
        When the profile describes an input device only.
    """
    if not profile.can_be_destination:
        raise ProfileError(f"{profile.description} describes an input device only")
    lab = np.ascontiguousarray(wanted, np.float64)

    def compute(start: int, stop: int) -> Codes:
        codes: Codes = call(
            lab[None, start:stop], lab_profile(), profile, seen_with, NO_GRID, np.uint16
        )
        return codes.reshape(-1, profile.encoding.channels)

    return np.concatenate(over_slabs(compute, len(lab), 1, worth_a_thread=COLOURS_PER_CALL))


@lru_cache(maxsize=8)
def largest_ink_sum(profile: Profile) -> float:
    """Find the most ink that a CMYK profile's table lays anywhere, 1 is one solid ink.

    What the profile's maker held the medium to bear, when nobody says otherwise.
    """
    L, a, b = np.meshgrid(
        np.linspace(0, 100, 41), np.linspace(-128, 127, 41), np.linspace(-128, 127, 41)
    )
    every = np.stack([L, a, b], axis=-1).reshape(-1, 3)
    return number_for(
        "largest ink sum",
        {"profile": profile},
        lambda: float(by_table(profile, every).sum(axis=1).max() / 65535),
    )


def nearest(
    profile: Profile,
    wanted: Floats,
    *,
    ink_limit: float | None = None,
    cap: Floats | None = None,
    seen_with: Intent = Intent.RELATIVE_COLORIMETRIC,
    enough: float = FITS_WITHIN,
    hopeless: float = np.inf,
) -> Nearest:
    """Search for the nearest colours that a medium can make, without any regard to smoothness.

    Parameters
    ----------
    wanted
        Shape (n, 3): L*a*b*.
    ink_limit
        Largest sum of inks, 1 is one solid ink. Unless given, and for CMYK only, the most that
        the profile's table lays anywhere.
    cap
        A limit for each colour beside that one, shape (n,): to ask what can be had with no more
        ink than something else lays there.
    seen_with
        Relative colorimetric for colours relative to the medium's white, or absolute.
    enough
        ΔE00 below which the search for something nearer ends.
    hopeless
        ΔE00 above which, after the search from the table's answer, no other is begun.
    """
    wanted = np.ascontiguousarray(wanted, np.float64)
    model = measurement_model(profile, seen_with)
    start = by_table(profile, wanted, seen_with) / 65535
    most = np.full(len(wanted), np.inf)
    if profile.encoding is Encoding.CMYK:
        most[:] = largest_ink_sum(profile) if ink_limit is None else ink_limit
        if cap is not None:
            most = np.minimum(most, cap)
    best = _searched(model, wanted, start, most, enough)
    far = np.flatnonzero((best.loss > enough) & (best.loss <= hopeless))
    if not far.size:
        return best
    device, tree = _scattered(profile, seen_with)
    _, found = tree.query(_evened(wanted[far]), min(_LOOKED_AT, len(device)))
    distance = delta_e_00(wanted[far][:, None], model.lab(device)[found])
    # Those within the cap come first, the nearest of them first.
    distance += 1000 * (device.sum(axis=1)[found] > most[far, None] + 1e-9)
    found = np.take_along_axis(found, np.argsort(distance, axis=1), axis=1)
    for column in range(_STARTS):
        left = best.loss[far] > enough
        far, found = far[left], found[left]
        if not far.size:
            break
        other = _searched(model, wanted[far], device[found[:, column]], most[far], enough)
        is_nearer = other.loss < best.loss[far]
        for mine, theirs in ((best.device, other.device), (best.lab, other.lab)):
            mine[far[is_nearer]] = theirs[is_nearer]
        best.loss[far[is_nearer]] = other.loss[is_nearer]
    return best


def _searched(
    model: MeasurementModel,
    wanted: Floats,
    start: Floats,
    most: NDArray[np.float64],
    enough: float,
) -> Nearest:
    """Descend from `start` in three rounds, each with a metric for where it begins.

    The first round's steps are damped and the last one's hardly; the best of all is kept, as the
    search among kinks does not always go downhill.
    """
    device = invert(model, wanted, start, cap=most, tie=0, damping=1e9, steps=1)  # the cap alone
    lab = model.lab(device)
    best = Nearest(device, lab, np.asarray(delta_e_00(wanted, lab)))
    for damping in (50.0, 5.0, 0.5):
        left = np.flatnonzero(best.loss > enough)
        if not left.size:
            break
        goal = wanted[left]
        tried = invert(
            model, goal, best.device[left], cap=most[left], tie=0, damping=damping, steps=8
        )
        lab = model.lab(tried)
        loss = delta_e_00(goal, lab)
        is_nearer = loss < best.loss[left]
        better = left[is_nearer]
        best.device[better], best.lab[better] = tried[is_nearer], lab[is_nearer]
        best.loss[better] = loss[is_nearer]
    return best


@lru_cache(maxsize=4)
def _scattered(
    profile: Profile, seen_with: Intent
) -> tuple[NDArray[np.float64], scipy.spatial.KDTree]:
    """Lay device values everywhere, and put their colours where neighbours are found fast."""
    channels = profile.encoding.channels
    side = np.linspace(0, 1, _SCATTERED_SIDE[channels])
    device = np.stack(np.meshgrid(*[side] * channels, indexing="ij"), axis=-1)
    device = device.reshape(-1, channels)
    return device, scipy.spatial.KDTree(_evened(measurement_model(profile, seen_with).lab(device)))


def _evened(lab: Floats) -> Floats:
    """Shorten chroma as CIEDE2000 weighs it: the integral of dC / S_C, S_C = 1 + 0.045 C."""
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    short = np.log1p(0.045 * chroma) / 0.045
    scale = np.divide(short, chroma, out=np.ones_like(chroma), where=chroma > 0)
    return np.stack([lab[:, 0], lab[:, 1] * scale, lab[:, 2] * scale], axis=-1)
