"""Whether a picture has the pixels that a size and a viewing distance ask for.

A normal eye keeps two lines apart that are one minute of arc from each other (visual acuity of
1.0): pixels of that size are 3437.75 inches of distance to the pixel, 180 * 60 / pi. In close
looking people with good eyes see about twice as fine (60 cycles per degree).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from hotfolder.model.units import MM_PER_INCH

MINUTES_PER_RADIAN = 180 * 60 / math.pi
CLOSE_LOOKING = 2.0


def needed_ppi(viewing_distance_mm: float) -> float:
    """Pixels per inch beyond which a normal eye sees no more; 0 for no distance."""
    if viewing_distance_mm <= 0:
        return 0.0
    return MINUTES_PER_RADIAN * MM_PER_INCH / viewing_distance_mm


def choose_ppi(native: Sequence[float], has_ppi: float, viewing_distance_mm: float) -> float:
    """The lowest of a printer's own resolutions that loses nothing; its highest if all do.

    What is to be lost is the smaller of what the picture has and what close looking from there
    can see: more pixels would carry nothing, or nothing that anybody sees.

    Parameters
    ----------
    has_ppi
        The original's own pixels per inch at the size it will have.
    """
    seen = CLOSE_LOOKING * needed_ppi(viewing_distance_mm)
    wanted = min(has_ppi, seen) if seen else has_ppi
    # A size in whole pixels may be off by half of one: a thousandth is no reason for twice as many.
    enough = [ppi for ppi in sorted(native) if ppi >= wanted * 0.999]
    return enough[0] if enough else max(native)


def largest_mm(width_px: float, height_px: float, ppi: float) -> list[float]:
    """Width and height, in mm, at which so many pixels are `ppi` to the inch; rounded down."""
    return [math.floor(side / ppi * MM_PER_INCH * 10) / 10 for side in (width_px, height_px)]
