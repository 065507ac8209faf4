"""Loss and shift of millions of pixels: computed at points of the source, interpolated between.

The points lie where the picture has colours (`hotfolder.colour.patchwork`). One channel needs
none: all its 65536 values are computed.

Differences bend sharply at the surface of the gamut. In the demo's pictures, with points as far
apart as in a grid of 33 a side, the share above a tolerance misses that of every pixel computed
by up to 0.36 percentage points, as of 49 by up to 0.18, as of 65, which is taken, by up to 0.1.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np

from hotfolder.colour.arrays import Codes
from hotfolder.colour.axis import lightness_axis
from hotfolder.colour.difference import DifferenceStatistics
from hotfolder.colour.kept_points import KeptBlocks
from hotfolder.colour.loss import Route, losses
from hotfolder.colour.patchwork import POINTS, Patchwork
from hotfolder.colour.slabs import over_slabs
from hotfolder.model.encoding import Encoding

Lookup = Callable[[Codes], Codes]

BLOCKS = {Encoding.RGB: 32, Encoding.CMYK: 16, Encoding.LAB: 64}
"""Blocks of the space a side. Real colours fill a small part of Lab, so it is cut finer."""

CELLS = 2
"""Cells of a block a side."""


@lru_cache(maxsize=2)
def make_loss_lookup(route: Route) -> Lookup:
    """Return the function from pixels to codes of (loss, shift).

    The function takes shape (rows, width, channels of the source), dtype uint16, and returns shape
    (rows, width, 2), dtype uint16, as `DifferenceStatistics` counts them. It uses all cores.

    Parameters
    ----------
    route
        From where to where.

    Returns
    -------
    The function; it is shared by all that ask for the same route.

    Raises
    ------
    ProfileError
        When the two profiles cannot be joined.
    """
    encoding = route.source.encoding
    if encoding is Encoding.GREY:
        every = np.arange(65536, dtype=np.uint16)[:, None]
        parts = over_slabs(
            lambda start, stop: _codes(route, every[start:stop]), 65536, 1, worth_a_thread=10_000
        )
        table = np.concatenate(parts)
        return lambda pixels: table[pixels[..., 0]]
    _codes(route, np.zeros((1, encoding.channels), np.uint16))
    axis = lightness_axis(route.source)
    points = (CELLS + 1) ** encoding.channels
    depends = vars(route) | {"reach": None}
    known = KeptBlocks(
        "losses", depends, BLOCKS[encoding] ** encoding.channels, {POINTS: ("<u2", (points, 2))}
    )
    patches = Patchwork(
        lambda places: _codes(route, axis.codes(places) if axis else places),
        encoding.channels,
        2,
        blocks=BLOCKS[encoding],
        cells=CELLS,
        known=None if route.reach else known,
    )

    def look_up(pixels: Codes) -> Codes:
        flat = np.ascontiguousarray(pixels).reshape(-1, pixels.shape[-1])
        flat = axis.places(flat) if axis else flat
        ask = patches.covering(flat)
        codes: Codes = np.empty((len(flat), 2), np.uint16)
        over_slabs(
            lambda start, stop: patches.look_up(flat[start:stop], codes[start:stop], ask),
            len(flat),
            1,
        )
        return codes.reshape(*pixels.shape[:2], 2)

    return look_up


def _codes(route: Route, pixels: Codes) -> Codes:
    return DifferenceStatistics.encode(np.stack(losses(route, pixels), axis=-1))
