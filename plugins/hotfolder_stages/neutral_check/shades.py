"""Whether a picture has colour, and which shades of grey it consists of when it has none.

A picture is *monochrome* when every pixel is neutral: of a chroma C*ab, relative to the white of
its own profile, that is at most a given limit. It is *toned*, as a sepia print is, when it is not
neutral, but all pixels of one lightness have one colour. Everything else has many colours, and
as soon as that is certain nothing more is looked at; so a colour picture costs next to nothing.

Pixels whose channels are equal are counted by their value. Only the others are converted to Lab,
through LittleCMS's fast grid, whose error among neutrals is below `_GRID_ERROR`; where that could
turn the answer, exactly. The answer does not depend on how the picture is cut into bands.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from hotfolder import Encoding, Intent
from hotfolder.colour import NO_GRID, Codes, Profile, convert_pixels, lab_profile, over_slabs

TONED_SPREAD = 8.0
"""How far a* and b* of a toned picture's pixels of one lightness may lie apart: what JPEG
compression leaves of one colour (common practice, no source)."""

_GRID_ERROR = 1.0
"""C*ab; measured at most 0.55 below a chroma of 4, over two printers and three RGB spaces."""

_LIGHTNESSES = 256
_CHROMA_STEPS = 1024  # a quarter of a unit of a* or b* each
_SHADES = 4096
_FIRST_LOOK = 64


class Kind(StrEnum):
    """What a picture is."""

    MONOCHROME = "monochrome"
    TONED = "toned"
    COLOUR = "colour"


class Shades:
    """The shades of a picture, band after band.

    Parameters
    ----------
    source
        The profile that the pixels are in.
    limit
        C*ab up to which a pixel counts as neutral.
    """

    def __init__(self, source: Profile, limit: float) -> None:
        self.has_many_colours = False
        self._source = source
        self._limit = limit
        self._largest = 0.0
        self._equal = np.zeros(65536, dtype=np.int64)
        self._counts = np.zeros(_SHADES, dtype=np.int64)
        self._samples = np.zeros((_SHADES, source.encoding.channels), dtype=np.uint16)
        self._occurs = np.zeros((2, _LIGHTNESSES, _CHROMA_STEPS), dtype=np.bool_)
        self._has_equal = source.encoding in (Encoding.RGB, Encoding.GREY)

    @property
    def kind(self) -> Kind:
        """What the picture is, as far as it was seen."""
        ramp = self._equal_pixels()
        if len(ramp) and not self.has_many_colours:
            self._note(ramp, self._to_lab(ramp, NO_GRID))
        if self.has_many_colours:
            return Kind.COLOUR
        return Kind.MONOCHROME if self._largest <= self._limit else Kind.TONED

    def add(self, pixels: Codes) -> None:
        """Look at more pixels. Shape (rows, width, channels), dtype uint16."""
        flat = pixels.reshape(-1, pixels.shape[-1])
        if self._has_equal:
            equal = _channels_are_equal(flat)
            if equal.all():
                self._equal += np.bincount(flat[:, 0], minlength=65536)
                return
            self._equal += np.bincount(flat[equal, 0], minlength=65536)
            flat = flat.take(np.flatnonzero(~equal), axis=0)
        self._look_at(flat[::_FIRST_LOOK], counted=False)
        if not self.has_many_colours:
            self._look_at(flat, counted=True)

    def pixels(self) -> tuple[Codes, NDArray[np.int64]]:
        """Return the shades that occur, for a picture without colour.

        Returns
        -------
        Pixels, shape (n, channels), and how many of the picture's pixels each stands for, shape
        (n,). Every value of equal channels is there; of the others one for each 4096th of L*.
        """
        ramp = self._equal_pixels()
        sampled = np.flatnonzero(self._counts)
        pixels = np.concatenate([ramp, self._samples[sampled]])
        return pixels, np.concatenate([self._equal[self._equal > 0], self._counts[sampled]])

    def _equal_pixels(self) -> Codes:
        values = np.flatnonzero(self._equal).astype(np.uint16)
        return np.repeat(values[:, None], self._source.encoding.channels, axis=1)

    def _look_at(self, flat: Codes, *, counted: bool) -> None:
        lab = self._to_lab(flat, 0)
        self._note(flat, lab)
        if counted and not self.has_many_colours:
            shades = lab[:, 0] >> 4
            self._counts += np.bincount(shades, minlength=_SHADES)
            # The last pixel of each shade; where an index comes twice, numpy keeps the later one.
            last = np.full(_SHADES, -1)
            last[shades] = np.arange(len(shades))
            self._samples[last >= 0] = flat[last[last >= 0]]

    def _note(self, flat: Codes, lab: Codes) -> None:
        """Keep which colours occur, and find out whether they are too many."""
        chroma = _chroma(lab)
        if self._largest <= self._limit:  # or the answer is known
            near = np.abs(chroma - self._limit) < _GRID_ERROR
            if near.any():
                chroma[near] = _chroma(self._to_lab(flat[near], NO_GRID))
        self._largest = max(self._largest, float(chroma.max(initial=0.0)))
        lightness = (lab[:, 0] >> 8).astype(np.int64) * _CHROMA_STEPS
        for axis in (0, 1):
            place = lightness + (lab[:, axis + 1] >> 6)
            counts = np.bincount(place, minlength=_LIGHTNESSES * _CHROMA_STEPS)
            self._occurs[axis] |= counts.reshape(_LIGHTNESSES, _CHROMA_STEPS) > 0
        if self._largest > self._limit:
            self.has_many_colours = self._spread() > TONED_SPREAD

    def _spread(self) -> float:
        """How far a* or b* lie apart at most among pixels of one lightness."""
        first = self._occurs.argmax(axis=-1)
        last = _CHROMA_STEPS - 1 - self._occurs[..., ::-1].argmax(axis=-1)
        widths = np.where(self._occurs.any(axis=-1), last - first, 0)
        return float(widths.max()) * 64 / 257

    def _to_lab(self, flat: Codes, flags: int) -> Codes:
        """Convert to Lab pixels, relative to the profile's white. Shape (n, 3)."""
        if self._source.encoding is Encoding.LAB:
            return flat
        parts = over_slabs(
            lambda start, stop: convert_pixels(
                flat[None, start:stop],
                self._source,
                lab_profile(),
                Intent.RELATIVE_COLORIMETRIC,
                flags,
            )[0],
            len(flat),
            1,
        )
        return np.concatenate(parts)


def _channels_are_equal(flat: Codes) -> NDArray[np.bool_]:
    first = flat[:, 0]
    equal = np.ones(len(flat), dtype=np.bool_)
    for channel in range(1, flat.shape[1]):
        equal &= first == flat[:, channel]
    return equal


def _chroma(lab: Codes) -> NDArray[np.float32]:
    """C*ab of Lab pixels, shape (n, 3) to (n,); numpy's hypot takes ten times as long."""
    squares = [lab[:, axis].astype(np.float32) - np.float32(32896) for axis in (1, 2)]
    total = squares[0] * squares[0] + squares[1] * squares[1]
    chroma: NDArray[np.float32] = np.sqrt(total, out=total)
    chroma /= np.float32(257)
    return chroma
