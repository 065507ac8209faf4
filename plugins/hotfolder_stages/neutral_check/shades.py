"""Whether a picture has colour, and which shades of grey it consists of when it has none.

An eye calls a picture black and white although a pixel of it has colour, or all of them have the
noise that 8 bits leave. So a picture is *monochrome* when all but a given share of its pixels are
neutral: of a chroma C*ab, relative to the white of its own profile, that is at most a given limit,
or what one code of 8 bits more or less in each channel makes of a grey of that lightness, which in
a space of wide gamut is more. It is *toned*, as a sepia print is, when it is not monochrome, but
all pixels of one lightness, again but for that share, have one colour. JPEG compression spoils that
at edges, where it gives a dark pixel the colour of the bright one beside it, but keeps it on the
whole, as an eye sees it. So what pixels have beside the colour of their lightness may also be
averaged over places (`_Places`): if that leaves next to nothing, the picture is toned. Everything
else has many colours, and as soon as that is certain nothing more is looked at; so a colour picture
costs little. What is certain stays so: more pixels only add to those that are off.

Pixels whose channels are equal are counted by their value. Only the others are converted to Lab,
through LittleCMS's fast grid, whose error among neutrals is below `_GRID_ERROR`; where that could
turn the answer, exactly. The answer does not depend on how the picture is cut into bands.
"""

from __future__ import annotations

from enum import StrEnum
from itertools import product

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder import Encoding, Intent
from hotfolder.colour import NO_GRID, Codes, Profile, convert_pixels, lab_profile, over_slabs

TONED_SPREAD = 8.0
"""How far a* and b* of a toned picture's pixels of one lightness may lie apart: what JPEG
compression leaves of one colour (common practice, no source)."""

CERTAIN_SPREAD = 24.0
"""As `TONED_SPREAD`, of which it is certain that no compression of a toned picture leaves more, but
for `CERTAIN_SHARE`: of toned photographs at qualities from 60 on, at most 0.0007 lay farther apart
(measured)."""

CERTAIN_SHARE = 0.003

MOST_NOISE = 5.0
"""C*ab, the most that counts as noise. In a space that is linear in light one code of 8 bits more
in a shadow would be a plain colour."""

_GRID_ERROR = 1.0
"""C*ab; measured at most 0.55 below a chroma of 4, over two printers and three RGB spaces."""

_LIGHTNESSES = 256
_CHROMA_STEPS = 1024  # a quarter of a unit of a* or b* each
_NOISE = 7  # lightnesses, 2.7 L*
_PLACE_PX = 16  # the piece that JPEG keeps one colour of where it halves the resolution of colour
_PLACE_SAMPLES = 8  # along each side
_MOST_SAMPLES = 2048  # along the picture's long side: finer than that no eye looks for a tone
_SHADES = 4096
_FIRST_LOOK = 64
_CODE = 257  # of 8 bits
_ROUNDING = 0.02  # C*ab, of Lab pixels


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
        C*ab up to which a pixel counts as neutral, whatever the noise.
    pixels
        How many the picture has.
    share
        Of them, that may be off, 0 … 1.
    width_px, height_px
        The picture's size.
    scale
        How much larger that is than the file's.
    """

    def __init__(
        self,
        source: Profile,
        limit: float,
        share: float,
        *,
        width_px: int,
        height_px: int,
        scale: float = 1.0,
    ) -> None:
        pixels = width_px * height_px
        self.has_many_colours = False
        self._source = source
        self._share = share
        self._may_be_off = share * pixels
        self._count = pixels
        self._places = _Places(max(width_px, height_px), scale)
        self._allowed = np.maximum(limit, _noise(source))
        self._coloured = 0
        self._equal = np.zeros(65536, dtype=np.int64)
        self._counts = np.zeros(_SHADES, dtype=np.int64)
        self._samples = np.zeros((_SHADES, source.encoding.channels), dtype=np.uint16)
        self._occurs = np.zeros((2, _LIGHTNESSES, _CHROMA_STEPS), dtype=np.int64)
        self._has_equal = source.encoding in (Encoding.RGB, Encoding.GREY)

    @property
    def largest_noise(self) -> float:
        """C*ab up to which a pixel counts as neutral, at the lightness where that is most."""
        return float(self._allowed.max())

    def close(self) -> Kind:
        """Say what the picture is, after its last pixel."""
        ramp = self._equal_pixels()
        if len(ramp) and not self.has_many_colours:
            times = self._equal[self._equal > 0]
            self._note(ramp, self._to_lab(ramp, NO_GRID), times)
        if self.has_many_colours:
            return Kind.COLOUR
        if self._coloured <= self._may_be_off:
            return Kind.MONOCHROME
        self.off_share = self._off(TONED_SPREAD) / max(1, self._count)
        if self.off_share > self._share:
            self.off_share = min(self.off_share, self._off_share_of_places())
        return Kind.TONED if self.off_share <= self._share else Kind.COLOUR

    @property
    def coloured_share(self) -> float:
        """Share of the picture's pixels that are not neutral; of many colours, those seen."""
        return self._coloured / max(1, self._count)

    def add(self, pixels: Codes) -> None:
        """Look at more pixels. Shape (rows, width, channels), dtype uint16."""
        self._places.add(pixels)
        flat = pixels.reshape(-1, pixels.shape[-1])
        if self._has_equal:
            equal = _channels_are_equal(flat)
            if equal.all():
                self._equal += np.bincount(flat[:, 0], minlength=65536)
                return
            self._equal += np.bincount(flat[equal, 0], minlength=65536)
            flat = flat.take(np.flatnonzero(~equal), axis=0)
        before, coloured = self._occurs.copy(), self._coloured
        few = flat[::_FIRST_LOOK]
        self._note(few, self._to_lab(few, 0))
        if self.has_many_colours:
            return
        self._occurs, self._coloured = before, coloured
        lab = self._to_lab(flat, 0)
        self._note(flat, lab)
        if not self.has_many_colours:
            shades = lab[:, 0] >> 4
            self._counts += np.bincount(shades, minlength=_SHADES)
            # The last pixel of each shade; where an index comes twice, numpy keeps the later one.
            last = np.full(_SHADES, -1)
            last[shades] = np.arange(len(shades))
            self._samples[last >= 0] = flat[last[last >= 0]]

    def pixels(self, kind: Kind) -> tuple[Codes, NDArray[np.int64]]:
        """Return the shades that occur, for a picture without colour or of one tone.

        Returns
        -------
        Pixels, shape (n, channels), and how many of the picture's pixels each stands for, shape
        (n,). Every value of equal channels is there; of the others one for each 4096th of L*,
        unless it is one of the few that are off.
        """
        ramp = self._equal_pixels()
        sampled = np.flatnonzero(self._counts)
        pixels = np.concatenate([ramp, self._samples[sampled]])
        counts = np.concatenate([self._equal[self._equal > 0], self._counts[sampled]])
        lab = self._to_lab(pixels, NO_GRID)
        fits = _chroma(lab) <= self._allowed[lab[:, 0] >> 8]
        if kind is Kind.TONED:
            fits = np.ones(len(lab), np.bool_)
            for axis in (0, 1):
                first = self._windows(axis, TONED_SPREAD)[1][lab[:, 0] >> 8]
                step = lab[:, axis + 1] >> 6
                fits &= (step >= first) & (step < first + _window(TONED_SPREAD))
        return (pixels[fits], counts[fits]) if fits.any() else (pixels, counts)

    def _equal_pixels(self) -> Codes:
        values = np.flatnonzero(self._equal).astype(np.uint16)
        return np.repeat(values[:, None], self._source.encoding.channels, axis=1)

    def _note(self, flat: Codes, lab: Codes, times: NDArray[np.int64] | None = None) -> None:
        """Count which colours occur, and find out whether they are too many."""
        chroma, allowed = _chroma(lab), self._allowed[lab[:, 0] >> 8]
        if self._coloured <= self._may_be_off:  # or the answer is known
            near = np.abs(chroma - allowed) < _GRID_ERROR
            if near.any():
                chroma[near] = _chroma(self._to_lab(flat[near], NO_GRID))
        is_coloured = chroma > allowed
        weights = np.ones(len(flat), np.int64) if times is None else times
        self._coloured += int(weights[is_coloured].sum())
        lightness = (lab[:, 0] >> 8).astype(np.int64) * _CHROMA_STEPS
        for axis in (0, 1):
            place = lightness + (lab[:, axis + 1] >> 6)
            counts = np.bincount(place, weights=times, minlength=_LIGHTNESSES * _CHROMA_STEPS)
            self._occurs[axis] += counts.reshape(_LIGHTNESSES, _CHROMA_STEPS).astype(np.int64)
        if self._coloured > self._may_be_off:
            certain = max(self._may_be_off, CERTAIN_SHARE * self._count)
            self.has_many_colours = self._off(CERTAIN_SPREAD) > certain

    def _off(self, spread: float) -> int:
        """Count pixels outside the a* or the b* that most pixels of their lightness have."""
        seen = self._occurs.sum(axis=(-1, -2))
        return max(int(seen[axis] - self._windows(axis, spread)[0].sum()) for axis in (0, 1))

    def _off_share_of_places(self) -> float:
        """Return the share of places that, averaged, do not have the colours of their lightness."""
        samples = self._places.samples()
        if min(samples.shape[:2]) < _PLACE_SAMPLES:
            return 1.0
        lab = self._to_lab(samples.reshape(-1, samples.shape[-1]), 0).reshape(*samples.shape[:2], 3)
        off = []
        for axis in (0, 1):
            least, most = (end[lab[..., 0] >> 8] for end in self._tone(axis))
            has = lab[..., axis + 1] / np.float32(257)
            beside = (has - np.clip(has, least, most)).astype(np.float32)
            off.append(np.abs(_Places.average(beside)) > TONED_SPREAD / 2)
        return float((off[0] | off[1]).mean())

    def _tone(self, axis: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return the least and the most a* or b*, plus 128, that is the tone of each lightness.

        That is the mean of most pixels of that lightness and of those just beside it, as noise
        reaches lightness too: where a channel is full, a tone changes much with it. Where there is
        next to nothing, the nearest lightnesses with more say what the tone is.
        """
        first = self._windows(axis, TONED_SPREAD)[1]
        steps = np.arange(_CHROMA_STEPS)
        after = steps - first[:, None]
        held = self._occurs[axis] * ((after >= 0) & (after < _window(TONED_SPREAD)))
        number = held.sum(axis=-1)
        known = np.flatnonzero(number > self._may_be_off)
        known = known if len(known) else np.flatnonzero(number)
        means = (held[known] * (steps + 0.5)).sum(axis=-1) * 64 / 257 / number[known]
        tone = np.interp(np.arange(_LIGHTNESSES), known, means)
        least = scipy.ndimage.minimum_filter1d(tone, _NOISE, mode="nearest")
        most = scipy.ndimage.maximum_filter1d(tone, _NOISE, mode="nearest")
        return least.astype("f4"), most.astype("f4")

    def _windows(self, axis: int, spread: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Find, for each lightness, the steps of a* or b* that hold most pixels.

        Returns
        -------
        How many they hold, and the first step, shape (lightnesses,) each.
        """
        sums = np.zeros((_LIGHTNESSES, _CHROMA_STEPS + 1), np.int64)
        np.cumsum(self._occurs[axis], axis=-1, out=sums[:, 1:])
        window = _window(spread)
        held = sums[:, window:] - sums[:, :-window]
        first = held.argmax(axis=-1)
        return np.take_along_axis(held, first[:, None], axis=-1)[:, 0], first

    def _to_lab(self, flat: Codes, flags: int) -> Codes:
        return _to_lab(self._source, flat, flags)


class _Places:
    """Some of a picture's pixels, evenly spread, and means of those that lie together.

    A place is as large as a piece of which JPEG keeps one colour, or as a 256th of the picture.

    Parameters
    ----------
    long_edge_px
        Of the picture.
    scale
        How much larger that is than the file's.
    """

    def __init__(self, long_edge_px: int, scale: float) -> None:
        least = max(_PLACE_PX / _PLACE_SAMPLES * scale, long_edge_px / _MOST_SAMPLES)
        # An odd number of pixels from each to the next, so that they lie at all places of a block.
        self._every = int(least) | 1
        self._skip = self._every // 2
        self._taken: list[Codes] = []

    def add(self, pixels: Codes) -> None:
        """Take what is needed of more rows. Shape (rows, width, channels), dtype uint16."""
        rows = pixels[self._skip :: self._every, self._every // 2 :: self._every]
        if len(rows):
            self._taken.append(rows.copy())
        self._skip = (self._skip - len(pixels)) % self._every

    def samples(self) -> Codes:
        """Return what was taken. Shape (rows, width, channels); either may be 0."""
        return np.concatenate(self._taken) if self._taken else np.zeros((0, 0, 1), np.uint16)

    @staticmethod
    def average(values: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return the mean of each place that lies wholly in the picture, as places overlap.

        Shape (rows, width), both at least `_PLACE_SAMPLES`.
        """
        means: NDArray[np.float32] = scipy.ndimage.uniform_filter(values, _PLACE_SAMPLES)
        before = _PLACE_SAMPLES // 2
        after = _PLACE_SAMPLES - 1 - before
        return means[before : -after or None, before : -after or None]


def _window(spread: float) -> int:
    """Return how many steps of a* or b* a spread is."""
    return int(spread * 257 / 64) + 1


def _noise(source: Profile) -> NDArray[np.float64]:
    """Chroma that a code of 8 bits more or less in each channel gives to greys.

    Shape (lightnesses,): C*ab, at most `MOST_NOISE`; 0 for a space without three equal channels.
    """
    if source.encoding is not Encoding.RGB:
        return np.zeros(_LIGHTNESSES)
    moves = np.array(list(product((-1, 0, 1), repeat=3)))
    greys = np.clip(np.arange(256)[:, None, None] + moves[None], 0, 255)
    lab = _to_lab(source, (greys * _CODE).astype(np.uint16).reshape(-1, 3), NO_GRID)
    noise = np.zeros(_LIGHTNESSES)
    np.maximum.at(noise, lab[:, 0] >> 8, _chroma(lab))
    # in a bright shade 8 bits have less than one grey for each of these lightnesses
    noise = scipy.ndimage.maximum_filter1d(noise, 5, mode="nearest")
    noise_allowed: NDArray[np.float64] = np.minimum(noise + _ROUNDING, MOST_NOISE)
    return noise_allowed


def _to_lab(source: Profile, flat: Codes, flags: int) -> Codes:
    """Convert to Lab pixels, relative to the profile's white. Shape (n, 3)."""
    if source.encoding is Encoding.LAB:
        return flat
    parts = over_slabs(
        lambda start, stop: convert_pixels(
            flat[None, start:stop], source, lab_profile(), Intent.RELATIVE_COLORIMETRIC, flags
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
