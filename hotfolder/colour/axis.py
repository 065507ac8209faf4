"""Where points between which colours are interpolated lie along the channels of an RGB source.

Points at equal distances of the device value are right for encodings with a curve near to that of
L*, as nearly all have. Of a source that is linear in light, the first of 128 cells would hold all
shadows up to an L* of 7, which bend there far more than two points can follow. So such a source's
channels are first brought to places that are even in lightness.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Codes
from hotfolder.colour.engine import to_lab
from hotfolder.colour.profile import Profile
from hotfolder.colour.slabs import over_slabs
from hotfolder.model.encoding import Encoding

UNEVEN_FROM = 0.15
"""Largest difference of a grey's L* / 100 from its device value, 0 … 1, above which points are
moved: 0.1 in a space of gamma 1.8 or 2.6, 0.44 in one that is linear in light."""

_FEW_ENOUGH = 17
"""One neutral in so many, black and white among them, says whether points are to be moved."""


@dataclass(frozen=True, eq=False)
class Axis:
    """From device values to places that are even in lightness, alike for all channels."""

    to_place: Codes
    """Shape (65536,), never falling, by device value; 0 and 65535 stay."""

    to_code: Codes
    """Shape (65536,), by place: the device value nearest to it."""

    def places(self, codes: Codes) -> Codes:
        """Return the places of device values; shape (n, channels), in threads."""
        out = np.empty(codes.shape, np.uint16)

        def work(start: int, stop: int) -> None:
            np.take(self.to_place, codes[start:stop], out=out[start:stop])

        over_slabs(work, len(codes), 1)
        return out

    def codes(self, places: Codes) -> Codes:
        """Return the device values at places; any shape."""
        found: Codes = self.to_code[places]
        return found


def _places_of(source: Profile, values: Codes) -> NDArray[np.float64] | None:
    """Lightness of rising neutrals, 0 … 1; None of what is no ramp from black to white."""
    lightness = to_lab(source, np.repeat(values[:, None], 3, axis=1))[:, 0]
    span = lightness[-1] - lightness[0]
    if span < 1:
        return None
    rising = np.maximum.accumulate(np.clip((lightness - lightness[0]) / span, 0, 1))
    return np.asarray(rising)


@lru_cache(maxsize=4)
def lightness_axis(source: Profile) -> Axis | None:
    """Find places even in lightness for a source; None where its device values are even enough."""
    if source.encoding is not Encoding.RGB:
        return None
    every = np.arange(65536, dtype=np.uint16)
    even = every / 65535
    some = _places_of(source, every[::_FEW_ENOUGH])
    if some is None or np.abs(some - even[::_FEW_ENOUGH]).max() < UNEVEN_FROM:
        return None
    place = _places_of(source, every)
    if place is None:
        return None
    to_code = np.interp(even, place, even)
    return Axis(
        np.rint(place * 65535).astype(np.uint16), np.rint(to_code * 65535).astype(np.uint16)
    )
