"""How wide and how strong: the rule from viewing distance and resolution, and by surface.

radius
    The Gaussian's standard deviation is 0.0004 of the viewing distance, 1.4 arc minutes: common
    practice among photographers, no source of record. It is never less than half a pixel, below
    which a sampled Gaussian does nothing.

halo
    Beside a step the added lightness falls with the Gaussian's tail, to a tenth of its height at
    1.645 sigma (the 95th percentile of the normal distribution). That width may be 1/50 inch at
    most on each side of an edge, whatever the distance: common practice for prints that are also
    looked at closely. So the radius stops growing with distance at 774 mm.

amount
    Rough surfaces and spreading ink soften, a screen does not. The numbers are common practice
    in their order, their values our own; no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from hotfolder.units import MM_PER_INCH

if TYPE_CHECKING:
    from hotfolder.destination import Surface

RADIANS = 0.0004
MIN_RADIUS_PX = 0.5
MAX_RADIUS_PX = 8.0
MAX_HALO_IN = 1 / 50
HALO_PER_RADIUS = 1.645

_AMOUNTS = {
    "canvas": 1.2,
    "newsprint": 1.2,
    "matte": 1.0,
    "lustre": 0.8,
    "gloss": 0.7,
    "screen": 0.4,
}


@dataclass(frozen=True)
class Strength:
    """radius_px: sigma of the Gaussian; amount: share of the missing detail that is added."""

    radius_px: float
    amount: float


def radius_px(viewing_distance_mm: float, ppi: float) -> float:
    """Sigma in pixels, by the rules above."""
    by_distance = viewing_distance_mm / MM_PER_INCH * ppi * RADIANS
    by_halo = MAX_HALO_IN * ppi / HALO_PER_RADIUS
    return min(max(min(by_distance, by_halo), MIN_RADIUS_PX), MAX_RADIUS_PX)


def amount(surface: Surface) -> float:
    """How much of the detail that a surface swallows is added before."""
    return _AMOUNTS[surface.value]
