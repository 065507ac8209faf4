"""Loss and shift of millions of pixels: computed once on a grid of the source, then looked up.

The grid is written as a device link whose "colours" are the two differences, and LittleCMS
interpolates in it as fast as it converts pictures. One channel needs no grid: all its 65536
values are computed.

Differences bend sharply at the surface of the gamut, so the grid is finer than a conversion's. In
the demo's pictures, with 33 points a side, the share above a tolerance misses that of every pixel
computed by up to 0.36 percentage points, with 49 by up to 0.18, with 65 by up to 0.1.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from datetime import UTC, datetime
from functools import lru_cache
from itertools import product

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from hotfolder.colour import icc_encode as icc
from hotfolder.colour.difference import DifferenceStatistics
from hotfolder.colour.slabs import over_slabs
from hotfolder.raster.model import Encoding
from hotfolder_stages.gamut_check.loss import Route, losses

Codes = NDArray[np.uint16]
Lookup = Callable[[Codes], Codes]

GRID_POINTS = {Encoding.RGB: 49, Encoding.LAB: 49, Encoding.CMYK: 21}
"""Points a side. Lab needs more of them, as real colours fill a small part of it."""

_KEEP_NODES = 0x4
"""``cmsFLAGS_NOWHITEONWHITEFIXUP``: this table has no white whose value could be mended."""

_CREATED = datetime(2000, 1, 1, tzinfo=UTC)
_SPACES = {3: "RGB ", 4: "CMYK"}
"""How a link calls its numbers, by their count. It does not matter what they mean."""

_OUTPUTS = 3
"""LittleCMS is fastest with three; the third is zero."""


@lru_cache(maxsize=2)
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
    values = np.zeros((len(nodes), _OUTPUTS), dtype=np.uint16)
    values[:, :2] = _codes(route, nodes)
    link = _link(channels, points, values)
    end = _link(_OUTPUTS, 0, values[:0])
    colorspace = "cmyk" if channels == 4 else "rgb"

    def look_up(pixels: Codes) -> Codes:
        codes: Codes = imagecodecs.cms_transform(
            np.ascontiguousarray(pixels),
            link,
            end,
            colorspace=colorspace,
            outcolorspace="rgb",
            outdtype="uint16",
            intent=0,
            flags=points << 16 | _KEEP_NODES,
        )
        return codes

    return look_up


def _codes(route: Route, pixels: Codes) -> Codes:
    def compute(start: int, stop: int) -> Codes:
        return DifferenceStatistics.encode(np.stack(losses(route, pixels[start:stop]), axis=-1))

    return np.concatenate(over_slabs(compute, len(pixels), 1, worth_a_thread=10_000))


def _link(inputs: int, points: int, nodes: Codes) -> bytes:
    """Write a device link that holds a grid, or nothing when there are no nodes.

    Its ``lutAToBType`` (ICC.1:2022, 10.12) has no curves around the grid, which the type wants:
    LittleCMS does without, and sets the link up in a quarter of the time that straight ones take.
    It asks for a second link behind the first, which may do nothing.
    """
    grid = b""
    if len(nodes):
        sides = bytes([points] * inputs).ljust(16, b"\0")
        grid = sides + bytes([2, 0, 0, 0]) + nodes.astype(">u2").tobytes()
    table = b"mAB " + bytes(4)
    table += struct.pack(">BBH5I", inputs, _OUTPUTS, 0, 0, 0, 0, 32 if grid else 0, 0) + grid
    header = icc.Header("4.4", "link", _SPACES[inputs], _SPACES[_OUTPUTS], _CREATED)
    tags = {"desc": icc.localized_text("differences"), "A2B0": table}
    return icc.encode_profile(header, tags)
