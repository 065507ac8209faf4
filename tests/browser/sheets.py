"""The picture that is read back from the screen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reference.devices import demo_printer

CANVAS = demo_printer("matte-canvas", "4.4")
NAME = "<script>document.title = 'mud'</script> & \"reeds\".tif"
PATCH_PX = 100
COLOURS = (
    (255, 255, 255),
    (128, 128, 128),
    (20, 20, 20),
    (194, 150, 130),
    (98, 122, 157),
    (87, 108, 67),
    (255, 120, 0),
    (0, 160, 60),
)
"""sRGB, 8 bits: neutrals, skin, sky, leaf, and two that the canvas cannot make."""


def patches() -> NDArray[np.uint16]:
    """Two rows of four patches, shape (200, 400, 3), uint16, in sRGB."""
    colours = np.array(COLOURS, dtype=np.uint16).reshape(2, 4, 3) * np.uint16(257)
    return colours.repeat(PATCH_PX, axis=0).repeat(PATCH_PX, axis=1)


def centres() -> list[tuple[float, float]]:
    """Middles of the patches, in the order of `COLOURS`: shares of width and height."""
    return [((column + 0.5) / 4, (row + 0.5) / 2) for row in (0, 1) for column in range(4)]
