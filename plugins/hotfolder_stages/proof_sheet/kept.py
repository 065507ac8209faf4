"""What a rendering keeps of a picture: colours, and local contrast where they do not fit.

Measured in the reduced picture, as the page shows it. Whether a colour fits is asked of the medium
itself, refined where its profile allows that, whatever the rendering: so renderings of one picture
are compared over the same pixels.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from hotfolder import Json, Rendering
from hotfolder.colour import (
    Codes,
    Floats,
    Precision,
    Route,
    Transform,
    can_be_refined,
    contrast_kept,
    delta_e_00,
    local_contrast,
    over_slabs,
    round_trip_noise,
    to_lab,
    wanted,
    where_unfit,
)

_FITS_WITHIN = 1.0
"""ΔE00 up to which a colour fits; the noise of a table that cannot be refined comes on top."""


def measure_kept(transform: Transform, picture: Codes) -> dict[str, Json]:
    """Compare a picture with what its conversion makes of it.

    Parameters
    ----------
    picture
        Shape (rows, width, channels), uint16, in the source of `transform`.

    Returns
    -------
    As `hotfolder.stages.roles.Kept` has it.
    """
    source, medium = transform.source, transform.destination
    asked = _lab_of(lambda part: wanted(Route(source, medium), part), picture)
    made = _lab_of(lambda part: to_lab(medium, part), transform.apply(picture))
    refines = can_be_refined(medium)
    best = Transform(
        source,
        medium,
        precision=Precision.FINE,
        rendering=Rendering.REFINED if refines else Rendering.INTENT,
    )
    nearest = _lab_of(lambda part: to_lab(medium, part), best.apply(picture))
    tolerance = _FITS_WITHIN if refines else max(_FITS_WITHIN, round_trip_noise(medium).p99)
    unfit = delta_e_00(asked, nearest) > tolerance
    off = delta_e_00(asked, made)
    before, after = (local_contrast(lab[None]) for lab in (asked, made))
    original = local_contrast(_lab_of(lambda part: to_lab(source, part), picture)[None])
    everywhere = np.ones_like(original, np.bool_)
    return {
        "off_delta_e_00": {
            "mean": round(float(off.mean()), 3),
            "p95": round(float(np.percentile(off, 95)), 3),
        },
        "unfit_share": round(float(unfit.mean()), 4),
        "unfit_contrast": round(contrast_kept(before, after, where_unfit(before, unfit[None])), 3),
        "contrast": round(contrast_kept(original, after, everywhere), 3),
    }


def _lab_of(compute: Callable[[Codes], Floats], picture: Codes) -> Floats:
    """Compute colours of a picture, on all cores."""
    flat = picture.reshape(-1, picture.shape[-1])
    parts = over_slabs(
        lambda start, stop: compute(flat[start:stop]), len(flat), 1, worth_a_thread=20_000
    )
    return np.concatenate(parts).reshape(*picture.shape[:2], 3)
