"""All that is said of one chart, as findings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hotfolder import Json
from hotfolder.colour import Codes, Floats
from hotfolder_stages.reference.chart import NAMES, reference_xyz
from hotfolder_stages.reference.finder import Chart
from hotfolder_stages.reference.fit import Correction, Fits, fit_chart
from hotfolder_stages.reference.light import (
    describe_white,
    greys_of,
    light_of,
    rounded,
    unevenness,
)
from hotfolder_stages.reference.patches import read_patches
from hotfolder_stages.reference.reduced import Space

WRONG_PROFILE_ABOVE = 6.0
"""ΔE00 by leave-one-out, no curve undone: a camera's picture has 1 to 4, one with a look up to 6,
linear data that are taken for sRGB 12. Wrong primaries alone cannot be told from a camera's own.
"""

TOO_UNEVEN = 40.0
"""Percent of light across a chart from which the rest says more of a shadow than of colours."""

COVERED_ABOVE = 10.0
"""ΔE00 of a patch by leave-one-out that may be something else; it must be 5 times the usual."""

MOST_COVERED = 4


def measure_chart(codes: Codes, space: Space, chart: Chart, key: str) -> dict[str, Json]:
    """Read a chart and say what it tells.

    Parameters
    ----------
    codes
        Shape (3, rows, width), uint16, in `space`.
    key
        Which values the chart's patches have, see `reference_xyz`.
    """
    reference = reference_xyz(key)
    patches = read_patches(codes, space.light, chart)
    usable = patches.usable
    seen = patches.light @ space.to_xyz.T
    even = unevenness(seen, reference, usable)
    light = patches.light / even[:, None]
    fits = fit_chart(light, reference, usable)
    strange = _strange(fits)
    if fits is not None and strange.any():
        usable = usable & ~strange
        even = unevenness(seen, reference, usable)
        light = patches.light / even[:, None]
        fits = fit_chart(light, reference, usable)
    xyz = light @ space.to_xyz.T
    percent = (even.max() / even.min() - 1) * 100
    found: dict[str, Json] = {
        "patches_used": int(usable.sum()),
        "patches_clipped": _names(patches.clipped),
        "patches_at_zero": _names(patches.at_zero),
        "patches_covered": _names(patches.covered | strange),
        "unevenness_percent": rounded(percent, 1),
        "too_uneven": bool(percent > TOO_UNEVEN),
    }
    found |= _told_of_light(xyz, reference, usable, space)
    found |= _told_of_fit(fits, space)
    if percent > TOO_UNEVEN:
        found |= {"curve_suspected": None, "wrong_profile_suspected": None}
    return found


def _strange(fits: Fits | None) -> NDArray[np.bool_]:
    """Say which patches are no patches of a chart, as a finger over one."""
    none = np.zeros(len(NAMES), bool)
    if fits is None:
        return none
    errors = np.nan_to_num(fits.best.left_out)
    usual = float(np.nanmedian(fits.best.left_out))
    strange = errors > max(COVERED_ABOVE, 5 * usual)
    return strange if strange.sum() <= MOST_COVERED else none


def _told_of_light(
    xyz: Floats,
    reference: Floats,
    usable: NDArray[np.bool_],
    space: Space,
) -> dict[str, Json]:
    light = light_of(xyz, reference, usable)
    if light is None:
        return {"exposure_stops": None, "light": None, "balance": None, "greys": []}
    return {
        "exposure_stops": rounded(light.exposure_stops, 2),
        **describe_white(light.white, space.to_xyz),
        "greys": [
            {
                "patch": NAMES[grey.patch],
                "lightness": rounded(grey.lab[0], 1),
                "expected_lightness": rounded(grey.expected_lightness, 1),
                "a": rounded(grey.lab[1], 2),
                "b": rounded(grey.lab[2], 2),
                "own_cast": rounded(float(np.hypot(*grey.cast)), 2),
            }
            for grey in greys_of(xyz, reference, usable, light)
        ],
    }


def _told_of_fit(fits: Fits | None, space: Space) -> dict[str, Json]:
    if fits is None:
        return {
            "residual": None,
            "curve_suspected": None,
            "wrong_profile_suspected": None,
            "correction": None,
        }
    best = fits.best
    worst = int(np.nanargmax(best.errors))
    return {
        "residual": {
            "mean": rounded(best.mean, 2),
            "worst": rounded(best.errors[worst], 2),
            "worst_patch": NAMES[worst],
            "leave_one_out": rounded(best.leave_one_out, 2),
            "without_curve": rounded(fits.straight.leave_one_out, 2),
        },
        "curve_suspected": fits.has_curve,
        "wrong_profile_suspected": fits.straight.leave_one_out > WRONG_PROFILE_ABOVE,
        "correction": _recorded(best.correction, space),
    }


def _recorded(correction: Correction, space: Space) -> dict[str, Json]:
    """Return all that is needed to apply a correction: from linear RGB to XYZ under D50."""
    curve = correction.curve
    return {
        "kind": correction.kind,
        "matrix": [[rounded(each, 6) for each in row] for row in correction.matrix.tolist()],
        "curve": None
        if curve is None
        else {
            "from": [[rounded(each, 5) for each in one.tolist()] for one in curve.measured],
            "to": [[rounded(each, 5) for each in one.tolist()] for one in curve.wanted],
        },
        "rgb_profile": space.profile.description,
    }


def _names(which: NDArray[np.bool_]) -> list[str]:
    return [name for name, chosen in zip(NAMES, which, strict=True) if chosen]
