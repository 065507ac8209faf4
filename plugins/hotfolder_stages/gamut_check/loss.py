"""How far colours are from what comes out of a destination: two questions, kept apart.

*Loss* is what the destination cannot make. The picture goes to the destination and back,
relative colorimetric with black point compensation, and is compared with the picture whose black
has been scaled to the destination's in the same way; so a weaker black does not count as loss
everywhere. What a profile's own tables round is in it, about one ΔE inside the gamut.

*Shift* is how far the destination's chosen rendering intent moves colours from the original:
relative to the two whites, or in absolute terms when the intent is absolute colorimetric.

Black point compensation is the law of ISO 18619:2015 as published with LittleCMS: per component
of XYZ, out = A in + B, with A = (BP_out - W) / (BP_in - W), B = -W (BP_out - BP_in) / (BP_in - W)
and neutral black points.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.encodings import D50_XYZ, lab_to_xyz, xyz_to_lab
from hotfolder.colour.profile import LITTLECMS_NAMES, Profile, lab_profile
from hotfolder.colour.transform import (
    BLACK_POINT_COMPENSATION,
    NO_GRID,
    Intent,
    Precision,
    Transform,
    to_lab,
)
from hotfolder.raster.model import Encoding

Codes = NDArray[np.uint16]
Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Route:
    """From where to where, and how the pixels will be converted in the end."""

    source: Profile
    destination: Profile
    intent: Intent = Intent.RELATIVE_COLORIMETRIC
    black_point_compensation: bool = True


def losses(route: Route, pixels: Codes) -> tuple[Floats, Floats]:
    """Compute loss and shift of every pixel exactly; slow, meant for thousands of pixels.

    Parameters
    ----------
    pixels
        Shape (..., channels of the source), dtype uint16.

    Returns
    -------
    Two arrays, float64, shape (...): ΔE00 of loss, ΔE00 of shift.
    """
    original = to_lab(route.source, pixels)
    if route.source == route.destination:
        nothing = np.zeros(original.shape[:-1])
        return nothing, nothing
    black_in, black_out = black_luminance(route.source), black_luminance(route.destination)
    best = _there_and_back(route, pixels, Intent.RELATIVE_COLORIMETRIC, compensate=True)
    loss = delta_e_00(compensated(original, black_in, black_out), best)

    seen_with = Intent.RELATIVE_COLORIMETRIC
    if route.intent is Intent.ABSOLUTE_COLORIMETRIC:
        seen_with = Intent.ABSOLUTE_COLORIMETRIC
        original = to_lab(route.source, pixels, seen_with)
    made = _there_and_back(
        route, pixels, route.intent, compensate=route.black_point_compensation, seen_with=seen_with
    )
    return loss, delta_e_00(original, made)


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


def black_luminance(profile: Profile) -> float:
    """Luminance of the black that LittleCMS compensates for in a profile, white = 1.

    Read off what compensation towards a black of zero does to a mid tone:
    Y' = (Y - BP) / (1 - BP), solved for BP. The darkest colour that comes out of the profile's
    tables would not do: their rounding makes it up to one L* lighter, and all greys with it.
    """
    middle = np.full((1, 1, profile.encoding.channels), 32768, dtype=np.uint16)
    before, after = (
        float(lab_to_xyz(_through_lab(profile, middle, flags))[..., 1].item())
        for flags in (NO_GRID, NO_GRID | BLACK_POINT_COMPENSATION)
    )
    return max(0.0, (before - after) / (1 - after))


def _there_and_back(
    route: Route,
    pixels: Codes,
    intent: Intent,
    *,
    compensate: bool,
    seen_with: Intent = Intent.RELATIVE_COLORIMETRIC,
) -> Floats:
    there = Transform(
        route.source,
        route.destination,
        intent,
        black_point_compensation=compensate,
        precision=Precision.EXACT,
    )
    flat = pixels.reshape(1, -1, pixels.shape[-1])
    lab = to_lab(route.destination, there.apply(flat), seen_with)
    return lab.reshape(*pixels.shape[:-1], 3)


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
