"""Loss and shift of millions of pixels: computed once on a grid of the source, then looked up.

The grid is written as a profile whose "colours" are the two differences, and LittleCMS
interpolates in it as fast as it converts pictures. One channel needs no grid: all its 65536
values are computed.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from itertools import product

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from hotfolder.colour import icc_encode as icc
from hotfolder.colour.difference import DifferenceStatistics
from hotfolder.colour.profile import lab_profile
from hotfolder.colour.slabs import over_slabs
from hotfolder.raster.model import Encoding
from hotfolder_stages.gamut_check.loss import Route, losses

Codes = NDArray[np.uint16]
Lookup = Callable[[Codes], Codes]

GRID_POINTS = {Encoding.RGB: 33, Encoding.LAB: 49, Encoding.CMYK: 21}
"""Points a side. Lab needs more of them, as real colours fill a small part of it."""

_KEEP_NODES = 0x4
"""``cmsFLAGS_NOWHITEONWHITEFIXUP``: this table has no white whose value could be mended."""

_CREATED = datetime(2000, 1, 1, tzinfo=UTC)


def make_lookup(route: Route) -> Lookup:
    """Return the function from pixels to codes of (loss, shift).

    The function takes shape (rows, width, channels of the source), dtype uint16, and returns shape
    (rows, width, 2 or 3), dtype uint16, as `DifferenceStatistics` counts them; a third channel is
    without meaning.
    """
    channels = route.source.encoding.channels
    if route.source.encoding is Encoding.GREY:
        table = _codes(route, np.arange(65536, dtype=np.uint16)[:, None])
        return lambda pixels: table[pixels[..., 0]]
    points = GRID_POINTS[route.source.encoding]
    steps = np.rint(np.linspace(0, 65535, points)).astype(np.uint16)
    nodes = np.array(list(product(steps.tolist(), repeat=channels)), dtype=np.uint16)
    values = np.zeros((len(nodes), 3))
    values[:, :2] = _codes(route, nodes) / 65535
    profile = _as_profile(values.reshape(*(points,) * channels, 3))
    colorspace = "cmyk" if channels == 4 else "rgb"

    def look_up(pixels: Codes) -> Codes:
        codes: Codes = imagecodecs.cms_transform(
            np.ascontiguousarray(pixels),
            profile,
            lab_profile().data,
            colorspace=colorspace,
            outcolorspace="lab",
            outdtype="uint16",
            intent=1,
            flags=points << 16 | _KEEP_NODES,
        )
        return codes

    return look_up


def _codes(route: Route, pixels: Codes) -> Codes:
    def compute(start: int, stop: int) -> Codes:
        return DifferenceStatistics.encode(np.stack(losses(route, pixels[start:stop]), axis=-1))

    return np.concatenate(over_slabs(compute, len(pixels), 1, worth_a_thread=10_000))


def _as_profile(grid: NDArray[np.float64]) -> bytes:
    """Write a grid as the table from a device to 16-bit Lab, whose codes are then ours."""
    channels = grid.ndim - 1
    straight = icc.curve()
    space = "CMYK" if channels == 4 else "RGB "
    return icc.encode_profile(
        icc.Header("4.4", "prtr", space, "Lab ", _CREATED),
        {
            "desc": icc.localized_text("differences"),
            "wtpt": icc.xyz(icc.D50_XYZ),
            "A2B0": icc.lut_a_to_b([straight] * channels, grid, [straight] * 3),
        },
    )
