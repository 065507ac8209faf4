"""How far the colours of a picture come out from what they were, on average and at worst.

This is what the destination does in the end: colours it cannot make, a weaker black and what the
chosen intent moves, all of it. Seen by an eye used to each white, or, with absolute colorimetric,
as an instrument measures.
"""

from __future__ import annotations

import numpy as np

from hotfolder import Intent
from hotfolder.colour import (
    Codes,
    Floats,
    Route,
    Transform,
    delta_e_00,
    over_slabs,
    to_lab,
    wanted,
)

SAMPLES = 10_000
"""Pixels that are compared, spread over the picture: the mean is within about 1 % of all."""


def moved(transform: Transform, picture: Codes) -> dict[str, float]:
    """Compare a picture with what its conversion makes of it.

    Parameters
    ----------
    picture
        Shape (rows, width, channels), uint16, in the source of `transform`.

    Returns
    -------
    mean, p95, max: ΔE00.
    """
    absolute = transform.intent is Intent.ABSOLUTE_COLORIMETRIC
    seen_with = Intent.ABSOLUTE_COLORIMETRIC if absolute else Intent.RELATIVE_COLORIMETRIC
    step = max(1, picture.shape[0] * picture.shape[1] // SAMPLES)
    # An odd step does not fall into step with an even width, and so meets all columns.
    step += 1 - step % 2
    before = np.ascontiguousarray(picture.reshape(1, -1, picture.shape[-1])[:, ::step])
    after = transform.apply(before)
    labs = [
        to_lab(profile, pixels, seen_with)
        for profile, pixels in ((transform.source, before), (transform.destination, after))
    ]
    difference = delta_e_00(*labs)
    p95 = float(np.percentile(difference, 95))
    figures = {"mean": difference.mean(), "p95": p95, "max": difference.max()}
    return {name: round(float(figure), 3) for name, figure in figures.items()}


def losses_of(route: Route, transform: Transform, picture: Codes) -> Floats:
    """Say how far each pixel comes out from what the picture asks for.

    Parameters
    ----------
    route
        Says what is asked for.
    transform
        By which the picture is delivered.
    picture
        Shape (rows, width, channels), uint16, in the source of `transform`.

    Returns
    -------
    Shape (rows, width), ΔE00.
    """
    flat = picture.reshape(-1, picture.shape[-1])
    made = transform.apply(flat[None])[0]

    def compute(start: int, stop: int) -> Floats:
        seen = to_lab(transform.destination, made[start:stop], route.seen_with)
        return delta_e_00(wanted(route, flat[start:stop]), seen)

    parts = over_slabs(compute, len(flat), 1, worth_a_thread=20_000)
    return np.concatenate(parts).reshape(picture.shape[:2])


def lightness(luminance: float) -> float:
    """L* of a luminance, white = 1 (CIE 15:2004, 8.2.1.1)."""
    if luminance > (6 / 29) ** 3:
        return float(116 * luminance ** (1 / 3) - 16)
    return (29 / 3) ** 3 * luminance
