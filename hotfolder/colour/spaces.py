"""Profiles made from numbers: three primaries, a white and a curve, as standards print them.

For pictures that name their colour space without embedding a profile, as a PNG and an Exif block
can. A matrix profile states such a space completely.

Adaptation from the space's white to the PCS is Bradford's (ICC.1:2022, annex E).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hotfolder.colour import icc_encode as icc

Floats = NDArray[np.float64]
XY = tuple[float, float]

D65: XY = (0.3127, 0.3290)
"""Chromaticity of the white of IEC 61966-2-1, ITU-R BT.709 and BT.2020."""

CREATED = datetime(2000, 1, 1, tzinfo=UTC)
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
_NO_RIGHTS = "Made from published numbers; nobody reserves any rights in this profile."


@dataclass(frozen=True)
class Primaries:
    """Chromaticities x, y of an RGB space."""

    red: XY
    """Of the red primary."""

    green: XY
    """Of the green primary."""

    blue: XY
    """Of the blue primary."""

    white: XY = D65
    """Of equal amounts of all three."""


@dataclass(frozen=True)
class Curve:
    """From device value to light: parameters of a ``parametricCurveType`` (ICC.1:2022, 10.18)."""

    parameters: tuple[float, ...]


SRGB_PRIMARIES = Primaries((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))
"""IEC 61966-2-1 and ITU-R BT.709."""

WIDE_PRIMARIES = Primaries((0.64, 0.33), (0.21, 0.71), (0.15, 0.06))
"""Adobe RGB (1998) colour image encoding, version 2005-05, 4.3.1.2."""

SRGB_CURVE = Curve((2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045))
"""IEC 61966-2-1, 5.2."""

WIDE_CURVE = Curve((563 / 256,))
"""Adobe RGB (1998), 4.3.1.2: 2.19921875 exactly."""


def rgb_profile(name: str, primaries: Primaries, curve: Curve) -> bytes:
    """Make the version 4 display profile of an RGB space.

    Parameters
    ----------
    name
        What the profile calls itself.
    primaries
        Chromaticities.
    curve
        From device value to light.

    Returns
    -------
    The bytes of the profile.

    Raises
    ------
    ValueError
        When the primaries span no colours: a y of zero, or all on one line.
    """
    columns = np.rint(linear_rgb_to_pcs(primaries) * 65536) / 65536
    # The three must sum to the PCS white to the last code, or white is tinted.
    columns[:, 1] += np.array(icc.D50_XYZ) - columns.sum(axis=1)
    response = icc.parametric_curve(curve.parameters)
    tags = describe_profile(name, _adaptation(primaries.white))
    for letter, column in zip("rgb", columns.T, strict=True):
        tags[f"{letter}XYZ"] = icc.xyz(column)
        tags[f"{letter}TRC"] = response
    return icc.encode_profile(icc.Header("4.4", "mntr", "RGB ", "XYZ ", CREATED), tags)


def grey_profile(name: str, curve: Curve) -> bytes:
    """Make the version 4 profile of a grey scale."""
    tags = describe_profile(name, np.eye(3)) | {"kTRC": icc.parametric_curve(curve.parameters)}
    return icc.encode_profile(icc.Header("4.4", "mntr", "GRAY", "XYZ ", CREATED), tags)


def linear_rgb_to_pcs(primaries: Primaries) -> Floats:
    """Compute the matrix from linear RGB to XYZ under D50, white having Y = 1.

    Returns
    -------
    float64, shape (3, 3): XYZ as a column = matrix @ RGB as a column.

    Raises
    ------
    ValueError
        As `rgb_profile`.
    """
    colorants, amounts = _mix_white(primaries)
    return np.asarray(_adaptation(primaries.white) @ colorants * amounts)


def luminance_weights(primaries: Primaries) -> Floats:
    """Compute what linear red, green and blue add to the luminance of white, unadapted.

    Returns
    -------
    float64, shape (3,), with the sum 1.

    Raises
    ------
    ValueError
        As `rgb_profile`.
    """
    return _mix_white(primaries)[1]


def _mix_white(primaries: Primaries) -> tuple[Floats, Floats]:
    """XYZ of the primaries, each with Y = 1, in columns; and how much of each makes white."""
    corners = (primaries.red, primaries.green, primaries.blue, primaries.white)
    if any(y <= 0 for _, y in corners):
        raise ValueError("a primary or the white has a y of zero")
    colorants = np.stack([_xyz_of(each) for each in corners[:3]], axis=1)
    try:
        amounts = np.linalg.solve(colorants, _xyz_of(primaries.white))
    except np.linalg.LinAlgError as error:
        raise ValueError("the primaries lie on one line") from error
    if not (amounts > 0).all():
        raise ValueError("the white lies outside the primaries")
    return colorants, np.asarray(amounts)


def describe_profile(name: str, adaptation: Floats) -> dict[str, bytes]:
    """Return the tags that every profile of ours has.

    Parameters
    ----------
    name
        What it calls itself.
    adaptation
        Shape (3, 3), for the tag ``chad``: what brought its white to D50.
    """
    return {
        "desc": icc.localized_text(name),
        "cprt": icc.localized_text(_NO_RIGHTS),
        "wtpt": icc.xyz(icc.D50_XYZ),
        "chad": icc.s15_fixed16_array(adaptation),
    }


def _adaptation(white: XY) -> Floats:
    cone_ratio = (_BRADFORD @ icc.D50_XYZ) / (_BRADFORD @ _xyz_of(white))
    return np.linalg.solve(_BRADFORD, cone_ratio[:, None] * _BRADFORD)


def _xyz_of(xy: ArrayLike) -> Floats:
    x, y = np.asarray(xy, dtype=np.float64)
    return np.array([x / y, 1.0, (1 - x - y) / y])
