"""What a chart's greys say of the light: how much, of what colour, and how even.

References
----------
Ohno, Y. (2014). Practical use and calculation of CCT and Duv. LEUKOS 10(1), 47-55.
DOI 10.1080/15502724.2014.839020. As colour-science has it.
CIE 15:2004, 9.5: a correlated colour temperature means nothing farther than 0.05 from Planck's
locus.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotfolder import Json
from hotfolder.colour import D50_XYZ, Floats, xyz_to_lab
from hotfolder_stages.reference.chart import GREYS, LATTICE

MIDDLE_GREYS = slice(19, 23)
"""Neither white, which clips first, nor black, which stray light lifts first."""

FARTHEST_FROM_PLANCK = 0.05

MIDDLE_Y = 0.184
"""Y of the grey of lightness 50, at which a cast of the whole is told."""

DARKEST_Y = 0.04
"""Patches below say little of how even the light is."""


@dataclass(frozen=True)
class Light:
    """The light of a picture, as its greys have it."""

    exposure_stops: float
    """By how much they are too light; negative for too dark."""

    white: Floats
    """XYZ of the perfect diffuser, Y = 1; D50 where the picture is balanced."""


@dataclass(frozen=True)
class Grey:
    """One grey: its colour in the picture, and its own cast when that of the whole is taken off."""

    patch: int
    """Its number in reading order, from 0."""

    lab: Floats
    """L*, a*, b* as the picture has it, exposure set right."""

    cast: Floats
    """Its own a*, b*."""

    expected_lightness: float
    """L* of the patch on the chart."""


def light_of(xyz: Floats, reference: Floats, usable: NDArray[np.bool_]) -> Light | None:
    """Say what the greys tell of the light; None when none of them can be used.

    Parameters
    ----------
    xyz, reference
        Shape (24, 3): the patches in the picture and as they are under D50; Y of white 1.
    """
    chosen = _greys(usable)
    if not len(chosen):
        return None
    measured, expected = np.maximum(xyz[chosen], 1e-6), reference[chosen]
    ratio = measured / expected
    stops = float(np.log2(ratio[:, 1]).mean())
    # each grey has the same say, however light it is
    white = np.exp(np.log(ratio / ratio[:, 1:2]).mean(axis=0)) * np.array(D50_XYZ)
    return Light(stops, white)


def greys_of(xyz: Floats, reference: Floats, usable: NDArray[np.bool_], light: Light) -> list[Grey]:
    """Return every grey that can be used, with its own cast."""
    balanced = np.array(D50_XYZ) / light.white / 2**light.exposure_stops
    out = []
    for patch in range(*GREYS.indices(len(xyz))):
        if not usable[patch]:
            continue
        expected = xyz_to_lab(reference[patch])
        shown = xyz_to_lab(xyz[patch] / 2**light.exposure_stops)
        own = xyz_to_lab(xyz[patch] * balanced) - expected
        out.append(Grey(patch, shown, own[1:], float(expected[0])))
    return out


def describe_white(white: Floats, to_xyz: Floats) -> dict[str, Json]:
    """Return what is said of a picture's white, as findings: ``light`` and ``balance``.

    Parameters
    ----------
    white
        XYZ of the perfect diffuser, Y = 1.
    to_xyz
        Shape (3, 3): the picture's linear RGB to XYZ under D50.
    """
    x, y = (white / white.sum())[:2].tolist()
    cct, duv = _cct(white)
    _, a, b = np.asarray(xyz_to_lab(white * MIDDLE_Y)).tolist()
    rgb = np.linalg.solve(to_xyz, white)
    factors: list[Json] = [rounded(each, 4) for each in (rgb[1] / rgb).tolist()]
    return {
        "light": {
            "x": rounded(x, 4),
            "y": rounded(y, 4),
            "cct_k": None if cct is None else round(cct),
            "duv": None if duv is None else rounded(duv, 4),
        },
        "balance": {
            "a": rounded(a, 2),
            "b": rounded(b, 2),
            "chroma": rounded(float(np.hypot(a, b)), 2),
            "rgb_factors": factors if (rgb > 0).all() else [],
        },
    }


def rounded(value: float, digits: int) -> float:
    """Round a number for a record; there is no minus zero."""
    return round(float(value), digits) + 0.0


def unevenness(xyz: Floats, reference: Floats, usable: NDArray[np.bool_]) -> Floats:
    """Return how much more or less light falls on each patch; shape (24,), mean 1.

    A plane in the logarithm of the light. What depends on how light a patch is, as a curve that
    was baked in, is fitted beside it and not taken for the light.
    """
    chosen = usable & (reference[:, 1] > DARKEST_Y)
    if chosen.sum() < 10:
        return np.ones(len(xyz))
    level = np.log(reference[:, 1])
    place = LATTICE - LATTICE.mean(axis=0)
    terms = np.c_[place, np.ones(len(xyz)), level, level**2]
    ratio = np.log(np.maximum(xyz[:, 1], 1e-6) / reference[:, 1])
    weight = chosen.astype(np.float64)
    for _ in range(3):
        found = np.linalg.lstsq(terms * weight[:, None], ratio * weight)[0]
        miss = np.abs(ratio - terms @ found)
        usual = max(float(np.median(miss[chosen])), 0.01)
        weight = chosen * np.minimum(1, 2 * usual / np.maximum(miss, 1e-9)) ** 0.5
    return np.asarray(np.exp(place @ found[:2]))


def _greys(usable: NDArray[np.bool_]) -> NDArray[np.intp]:
    every = np.arange(len(usable))
    for choice in (MIDDLE_GREYS, GREYS):
        chosen = every[choice][usable[choice]]
        if len(chosen):
            return chosen
    return every[:0]


def _cct(white: Floats) -> tuple[float | None, float | None]:
    """Return the correlated colour temperature in K and the distance from Planck's locus."""
    from colour.temperature import uv_to_CCT_Ohno2013

    from colour import UCS_to_uv, XYZ_to_UCS

    cct, duv = uv_to_CCT_Ohno2013(UCS_to_uv(XYZ_to_UCS(white)))
    if not np.isfinite([cct, duv]).all() or abs(duv) > FARTHEST_FROM_PLANCK:
        return None, None
    return float(cct), float(duv)
