"""Numbers of a proof: L*a*b* of a picture as finished and as it will print, reduced, as one text.

A page carries them in an element, and whoever shows the page's pictures elsewhere can say what the
colour is under a pointer. They are the proof's own: of pixels before and after their conversion,
never of pictures that were compressed for a display.

Form: int16, little-endian; a header of six (version, width, height, and L*, a*, b* of the medium's
white as an instrument measures it, in hundredths), then six planes of height × width values in
tenths: L*, a*, b* as finished, and as it will print, each relative to its own white. Compressed by
zlib, then base64.
"""

from __future__ import annotations

import base64
import binascii
import zlib
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

_VERSION: Final = 1
_HEADER: Final = 6
_PLANES: Final = 6
_MOST_PX: Final = 512
_MOST_BYTES: Final = 2 * (_HEADER + _PLANES * _MOST_PX * _MOST_PX)


def pack_numbers(
    finished: NDArray[np.float64], made: NDArray[np.float64], white: Sequence[float]
) -> str:
    """Write the numbers of a proof as text.

    Parameters
    ----------
    finished, made
        Shape (rows, width, 3), at most 512 a side: L*, a*, b* (D50), each relative to its white.
    white
        L*, a*, b* of the medium's white, absolute.

    Returns
    -------
    Base64, for an attribute.
    """
    rows, width = finished.shape[:2]
    head = [_VERSION, width, rows, *(round(100 * each) for each in white)]
    planes = np.concatenate([finished, made], axis=2).transpose(2, 0, 1)
    whole = np.rint(10 * planes).clip(-32768, 32767).astype("<i2")
    data = np.array(head, "<i2").tobytes() + whole.tobytes()
    return base64.b64encode(zlib.compress(data, 6)).decode("ascii")


def unpack_numbers(text: str) -> bytes | None:
    """Read what `pack_numbers` wrote, which may have gone through strangers' hands.

    Parameters
    ----------
    text
        Base64.

    Returns
    -------
    The bytes before they were compressed, of the length that their header says; None when it is
    something else.
    """
    try:
        unpacking = zlib.decompressobj()
        data = unpacking.decompress(base64.b64decode(text, validate=True), _MOST_BYTES)
    except (binascii.Error, ValueError, zlib.error):
        return None
    if not unpacking.eof or len(data) < 2 * _HEADER:
        return None
    version, width, rows = np.frombuffer(data, "<i2", 3).tolist()
    if version != _VERSION or min(width, rows) < 1:
        return None
    return data if len(data) == 2 * (_HEADER + _PLANES * width * rows) else None
