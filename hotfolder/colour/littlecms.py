"""LittleCMS, with what it has made ready for two profiles kept.

To join two profiles LittleCMS reads their tables, which for CMYK takes as long as 20,000 colours.
`imagecodecs` has it do so at each call, and a job makes more than a hundred for a few colours each.
Here the library that `imagecodecs` brings is called directly, so that it is done once. Where that
library shows no functions, `imagecodecs` is called; the codes are the same.
"""

from __future__ import annotations

import ctypes
import importlib
import threading
import weakref
from collections import OrderedDict
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import imagecodecs
import numpy as np
from numpy.typing import NDArray

_MOST_KEPT: Final = 32
"""A conversion to CMYK takes about a megabyte."""

_PIXEL_TYPES: Final = {"gray": (3, 1), "rgb": (4, 3), "cmyk": (6, 4), "lab": (10, 3)}
"""Number and channels of each kind of pixel: ``PT_GRAY`` … in lcms2.h."""

_SAMPLES: Final = {"uint8": 1, "uint16": 2, "float64": 1 << 22}
"""Bytes of a sample, and whether it is a float: ``BYTES_SH``, where 0 is 8, and ``FLOAT_SH``."""


def transform(
    pixels: NDArray[Any],
    source: tuple[str, bytes],
    destination: tuple[str, bytes],
    *,
    spaces: tuple[str, str],
    made: str,
    intent: int,
    flags: int,
) -> NDArray[Any]:
    """Convert pixels, as `imagecodecs.cms_transform` does.

    Parameters
    ----------
    pixels
        Shape (rows, width, channels), of grey (rows, width); contiguous. uint16, for Lab float64.
    source, destination
        SHA-256 and bytes of a profile each.
    spaces
        What `imagecodecs` calls the pixels that go in and come out: a key of `_PIXEL_TYPES`.
    made
        Type of what comes out: uint8, uint16, or float64 for Lab.
    intent, flags
        LittleCMS's own.

    Returns
    -------
    Shape (rows, width, channels), of grey (rows, width).

    Raises
    ------
    imagecodecs.CmsError
        When LittleCMS finds no way from the one profile to the other.
    """
    library = _find_library()
    if library is not None:
        wanted = _Wanted(
            source[0], destination[0], _format(spaces[0], pixels.dtype.name),
            _format(spaces[1], made), intent, flags,
        )  # fmt: skip
        if (ready := _kept.find(library, wanted, source[1], destination[1])) is not None:
            channels = _PIXEL_TYPES[spaces[1]][1]
            shape = (*pixels.shape[:2], channels) if channels > 1 else pixels.shape[:2]
            out = np.empty(shape, made)
            count = pixels.shape[0] * pixels.shape[1]
            library.cmsDoTransform(ready.handle, pixels.ctypes.data, out.ctypes.data, count)
            return out
    converted: NDArray[Any] = imagecodecs.cms_transform(
        pixels,
        source[1],
        destination[1],
        colorspace=spaces[0],
        outcolorspace=spaces[1],
        outdtype=made,
        intent=intent,
        flags=flags,
    )
    return converted


@dataclass(frozen=True)
class _Wanted:
    """All that a conversion depends on."""

    source_sha256: str
    destination_sha256: str
    pixels_in: int
    pixels_out: int
    intent: int
    flags: int


class _Ready:
    """A conversion that LittleCMS has made ready; many threads can use it at once.

    LittleCMS writes nothing into it while it converts: each call has a copy of the last colour.
    """

    def __init__(self, library: ctypes.CDLL, handle: int) -> None:
        self.handle = handle
        weakref.finalize(self, library.cmsDeleteTransform, handle).atexit = False


class _Kept:
    """The conversions that were used last."""

    def __init__(self) -> None:
        self._ready: OrderedDict[_Wanted, _Ready] = OrderedDict()
        self._lock = threading.Lock()

    def find(
        self, library: ctypes.CDLL, wanted: _Wanted, source: bytes, destination: bytes
    ) -> _Ready | None:
        """Return a conversion; None when LittleCMS makes none."""
        with self._lock:  # also while it is made: of two threads that want it, one makes it
            if (ready := self._ready.get(wanted)) is not None:
                self._ready.move_to_end(wanted)
                return ready
            handle = _make(library, wanted, source, destination)
            if not handle:
                return None
            ready = self._ready[wanted] = _Ready(library, handle)
            if len(self._ready) > _MOST_KEPT:
                self._ready.popitem(last=False)
            return ready


_kept = _Kept()


def _make(library: ctypes.CDLL, wanted: _Wanted, source: bytes, destination: bytes) -> int | None:
    profiles: list[int] = []
    try:
        for data in (source, destination):
            profile = library.cmsOpenProfileFromMem(data, len(data))
            if not profile:
                return None
            profiles.append(profile)
        made: int | None = library.cmsCreateTransform(
            profiles[0], wanted.pixels_in, profiles[1], wanted.pixels_out,
            wanted.intent, wanted.flags,
        )  # fmt: skip
        return made
    finally:
        for profile in profiles:
            library.cmsCloseProfile(profile)


def _format(space: str, sample: str) -> int:
    """Say how pixels lie in memory: ``TYPE_RGB_16`` … in lcms2.h."""
    number, channels = _PIXEL_TYPES[space]
    return number << 16 | channels << 3 | _SAMPLES[sample]


@cache
def _find_library() -> ctypes.CDLL | None:
    """Return the library inside `imagecodecs`; None where its functions are not to be found.

    Found through the module that uses it, so that it is that one and no other of the system's.
    """
    try:
        library = ctypes.CDLL(importlib.import_module("imagecodecs._cms").__file__)
        _describe(library)
    except (ImportError, OSError, AttributeError, TypeError):
        return None
    version: int = library.cmsGetEncodedCMMversion()
    written = f"lcms2 {version // 1000}.{version % 1000 // 10}.{version % 10}"
    return library if written == imagecodecs.cms_version() else None


def _describe(library: ctypes.CDLL) -> None:
    """Say what the functions take and give; `ctypes` lets other threads run meanwhile."""
    pointer, number = ctypes.c_void_p, ctypes.c_uint32
    for name, takes, gives in (
        ("cmsOpenProfileFromMem", [ctypes.c_char_p, number], pointer),
        ("cmsCloseProfile", [pointer], ctypes.c_int),
        ("cmsCreateTransform", [pointer, number, pointer, number, number, number], pointer),
        ("cmsDoTransform", [pointer, pointer, pointer, number], None),
        ("cmsDeleteTransform", [pointer], None),
        ("cmsGetEncodedCMMversion", [], ctypes.c_int),
    ):  # fmt: skip
        function = getattr(library, name)
        function.argtypes, function.restype = takes, gives
