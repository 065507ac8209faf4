"""A small picture of an original as it came, for pages that list what was held before it was made.

It is made in a worker, since the original is a stranger's file, and of means over whole blocks of
pixels, band by band, so that memory does not grow with the original.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from hotfolder.colour import SRGB_CURVE, SRGB_PRIMARIES, Profile, convert_to_8_bits, rgb_profile
from hotfolder.model.encoding import Encoding
from hotfolder.model.intent import Intent
from hotfolder.raster.picture import Band, RasterSpec
from hotfolder.raster.reading import OpenedOriginal

MOST_PX: Final = 320
"""Along its longer side."""

_QUALITY = 85
_NO_FLAGS = 0
_AS_SRGB = (Encoding.RGB, Encoding.GREY)
"""What is shown as sRGB when it has no profile: as good a guess as any, for looking at only."""


def write_small_picture(opened: OpenedOriginal, path: Path) -> bool:
    """Write a small JPEG in sRGB of an original; return whether it can be shown.

    Parameters
    ----------
    opened
        The original, of which every band is read.
    path
        Where to.

    Returns
    -------
    False, and nothing is written, when nobody knows what its numbers look like: ink, or L*a*b*,
    without a profile.

    Raises
    ------
    Refuse
        When the pixels are damaged.
    """
    spec = opened.spec
    if spec.profile is None and spec.encoding not in _AS_SRGB:
        return False
    small = reduce_bands(opened.bands(), spec)
    srgb = Profile.parse(rgb_profile("sRGB", SRGB_PRIMARIES, SRGB_CURVE))
    if spec.profile is None:
        shown = np.rint(np.broadcast_to(small, (*small.shape[:2], 3)) / 257).astype(np.uint8)
    else:
        intent = Intent.RELATIVE_COLORIMETRIC
        shown = convert_to_8_bits(small, spec.profile, srgb, intent, _NO_FLAGS)
    Image.fromarray(shown).save(path, "JPEG", quality=_QUALITY, icc_profile=srgb.data)
    return True


def reduce_bands(bands: Iterable[Band], spec: RasterSpec) -> NDArray[np.uint16]:
    """Reduce a picture to at most `MOST_PX` along its longer side: means of square blocks.

    Parameters
    ----------
    bands
        The whole picture.
    spec
        What it is.

    Returns
    -------
    Shape (rows, width, channels), uint16, coded as the bands are.
    """
    side = -(-max(spec.width_px, spec.height_px) // MOST_PX)
    across, down = np.arange(0, spec.width_px, side), np.arange(0, spec.height_px, side)
    sums = np.zeros((len(down), len(across), spec.channels), np.uint64)
    for band in bands:
        parts = np.add.reduceat(band.pixels.astype(np.uint32), across, axis=1)
        np.add.at(sums, (band.top + np.arange(band.rows)) // side, parts)
    high, wide = np.diff(down, append=spec.height_px), np.diff(across, append=spec.width_px)
    means: NDArray[np.uint16] = np.rint(sums / (high[:, None] * wide)[..., None]).astype(np.uint16)
    return means
