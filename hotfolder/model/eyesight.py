"""How many pixels an eye can tell apart at a viewing distance.

A normal eye keeps two lines apart that are one minute of arc from each other (visual acuity of
1.0): pixels of that size are 3437.75 inches of distance to the pixel, 180 * 60 / pi. In close
looking people with good eyes see about twice as fine (60 cycles per degree).
"""

from __future__ import annotations

import math

from hotfolder.model.units import MM_PER_INCH

MINUTES_PER_RADIAN = 180 * 60 / math.pi

CLOSE_LOOKING = 2.0
"""How much finer than a normal eye people with good eyes see when they look closely."""


def needed_ppi(viewing_distance_mm: float) -> float:
    """Say how many pixels per inch a normal eye can tell apart.

    Parameters
    ----------
    viewing_distance_mm
        From the eye to the picture, in millimetres.

    Returns
    -------
    Pixels per inch beyond which a normal eye sees no more; 0 for no distance.

    Examples
    --------
    >>> round(needed_ppi(1000))
    87
    """
    if viewing_distance_mm <= 0:
        return 0.0
    return MINUTES_PER_RADIAN * MM_PER_INCH / viewing_distance_mm


def largest_mm(width_px: float, height_px: float, ppi: float) -> list[float]:
    """Say at which size so many pixels are `ppi` to the inch.

    Parameters
    ----------
    width_px, height_px
        Pixels across and down.
    ppi
        Pixels per inch, above 0.

    Returns
    -------
    Width and height in millimetres, rounded down to a tenth.

    Examples
    --------
    >>> largest_mm(3000, 2000, 254)
    [300.0, 200.0]
    """
    return [math.floor(side / ppi * MM_PER_INCH * 10) / 10 for side in (width_px, height_px)]
