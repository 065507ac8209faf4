"""A picture thrice: by itself, and twice with red and blue exchanged and a profile that knows it.

A browser that honours embedded profiles shows all three alike.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Mapping
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

_Pixels = NDArray[np.uint8]
_HEIGHT, _WIDTH = 150, 220
_FIELD, _DISC = (198, 92, 42), (38, 84, 170)
_EXCHANGED: Final[Mapping[bytes, bytes]] = {b"rXYZ": b"bXYZ", b"bXYZ": b"rXYZ"}
"""The curves of sRGB are all the same."""

KINDS: Final[Mapping[str, str]] = {
    "plain.png": "image/png",
    "profile.png": "image/png",
    "profile.jpg": "image/jpeg",
}
"""Media types, by name."""


@cache
def make_pictures() -> dict[str, bytes]:
    """Make the pictures; by the names of `KINDS`."""
    pixels = _draw()
    exchanged = Image.fromarray(np.ascontiguousarray(pixels[..., ::-1]))
    profile = exchange_red_and_blue(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")))
    return {
        "plain.png": _save(Image.fromarray(pixels), "PNG"),
        "profile.png": _save(exchanged, "PNG", icc_profile=profile),
        # no subsampling: it would blur other colours than in the PNG
        "profile.jpg": _save(exchanged, "JPEG", icc_profile=profile, quality=95, subsampling=0),
    }


def exchange_red_and_blue(profile: ImageCms.ImageCmsProfile) -> bytes:
    """Return a matrix profile whose first channel is blue and whose third is red.

    Notes
    -----
    The table of tags (ICC.1:2022, 7.3) says where each tag's data are: it is enough to exchange
    names there.
    """
    data = bytearray(profile.tobytes())
    (count,) = struct.unpack_from(">I", data, 128)
    for at in range(132, 132 + 12 * count, 12):
        name = bytes(data[at : at + 4])
        data[at : at + 4] = _EXCHANGED.get(name, name)
    data[84:100] = bytes(16)  # the profile's id is of its bytes; none is allowed
    return bytes(data)


def _draw() -> _Pixels:
    """A disc on a field, both from dark to light."""
    y, x = np.mgrid[:_HEIGHT, :_WIDTH]
    disc = (y - _HEIGHT / 2) ** 2 + (x - _WIDTH / 2) ** 2 < (0.36 * _HEIGHT) ** 2
    colour = np.where(disc[..., None], _DISC, _FIELD)
    shade = np.interp(x, [0, _WIDTH], [0.55, 1.25])[..., None]
    made: _Pixels = np.clip(np.rint(colour * shade), 0, 255).astype(np.uint8)
    return made


def _save(image: Image.Image, form: str, **how: object) -> bytes:
    file = io.BytesIO()
    image.save(file, form, **how)
    return file.getvalue()
