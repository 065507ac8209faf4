"""How much of a picture is lost, and what is to blame: computed exactly, of sampled pixels.

A pixel is lost when it comes out farther than the tolerance from what the picture asks for. Then
one of three is to blame:

medium
    nothing that it can make, with no more ink than it bears, comes within the tolerance;
profile
    it could be made, but the profile's table (or matrix) answers with something else;
intent
    it could be made, but an intent or a rendering that moves colours on purpose has moved it.

Beside that, lost pixels are counted that ask for a shadow darker than the black that comes out, or
for a white lighter than the white that does, since those become one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder import Encoding, Intent, Rendering
from hotfolder.colour import (
    Codes,
    Floats,
    Route,
    before_and_after,
    can_be_refined,
    describe_hues,
    losses,
    medium_losses,
    shares_by_hue,
    wanted,
)
from hotfolder_stages.gamut_check.tally import KEPT, LOST, UNDECIDED, Tally

_CONFIDENCE = 1.96
"""Standard errors to either side that hold in 95 of 100 cases."""

_FEWEST = 4096
"""Of the undecided pixels, and of those surely lost, how many are looked at in any case, if there
are as many."""

_MOST_OFF = {UNDECIDED: 0.002, LOST: 0.008}
"""By group, how far a share of the picture may be off for their number, in 95 of 100 cases, if half
of the group is lost, or cannot be made. More are looked at the larger a group is; of what is surely
lost fewer, as each is searched for."""

_WORTH_NAMING = 0.05
"""Share of what is lost below which it is not named."""

_DARKER_BY = 0.5
"""L* by which a shadow is darker than the black that comes out, or a white lighter."""

_BITS = np.uint64(16)
"""Of a channel."""

_FEWER_BITS = 8
"""Of 16: blocks of a flat area have about the same colour, and are looked up once."""

_EXTREMES = {
    Encoding.RGB: ((0, 0, 0), (65535, 65535, 65535)),
    Encoding.GREY: ((0,), (65535,)),
    Encoding.CMYK: ((65535, 65535, 65535, 65535), (0, 0, 0, 0)),
    Encoding.LAB: ((0, 32896, 32896), (65535, 32896, 32896)),
}
"""Black and white of a source."""


@dataclass(frozen=True)
class Causes:
    """Shares of the picture's pixels, 0 … 1."""

    lost: float
    """What comes out farther than the tolerance from what is asked for."""
    medium: float
    """Of that, what the medium cannot make."""
    profile: float
    """What it could, and the profile's table does not."""
    intent: float
    """What it could, and the intent moves on purpose."""
    crushed: float
    """Lost shadows darker than the black that comes out, whatever is to blame."""
    clipped: float
    """Lost whites lighter than the white that comes out, whatever is to blame."""
    counted: float
    """What is lost and not moved on purpose: shadows and whites count in any case."""
    refined: float | None
    """What would be lost with the rendering refined; None where that brings nothing else."""
    refined_error: float
    """How far `refined` may be off in 95 of 100 pictures."""
    lost_error: float
    """How far `lost` may be off in 95 of 100 pictures, as pixels were sampled."""
    medium_error: float
    """How far `medium` may be off."""
    words: str
    """Which colours are lost, in a few plain words."""
    hues: dict[str, float]
    """Share of each hue in what is lost, 0 … 1, the largest first."""
    undecided: float
    """Of the undecided pixels, the share that is lost."""
    is_counted: NDArray[np.bool_] = field(repr=False, compare=False)
    """Which of the sample's colours are in `counted`: shape (n,)."""


@dataclass(frozen=True)
class Sample:
    """Colours of a picture, each with how many of its pixels it stands for."""

    pixels: NDArray[np.uint16]
    """Shape (n, channels)."""
    stands_for: Floats
    """Shape (groups, n), pixels."""
    groups: NDArray[np.int64]
    """Pixels of each group."""
    sampled: NDArray[np.int64]
    """How many of them were looked at."""
    every: int = 1
    """The pixels of groups are one of so many of the picture."""

    @property
    def weights(self) -> NDArray[np.int64]:
        """How many pixels each colour stands for, whatever its group: shape (n,)."""
        weights: NDArray[np.int64] = np.rint(self.stands_for.sum(axis=0)).astype(np.int64)
        return weights

    def share(self, of: NDArray[np.bool_]) -> float:
        """Estimate the share of the picture's pixels that have these colours."""
        return float(self.stands_for[:, of].sum() / max(1, self.groups.sum()))

    def error(self, of: NDArray[np.bool_]) -> float:
        """Say how far `share` may be off, as not all pixels of the groups were looked at."""
        counted = max(1, int(self.groups.sum()))
        square = 0.0
        for group, pixels in enumerate(self.groups):
            looked_at = int(self.sampled[group])
            if pixels > looked_at > 0:
                part = float(self.stands_for[group, of].sum() / pixels)
                # at both ends one pixel more or less might have been found
                part = min(max(part, 1 / looked_at), 1 - 1 / looked_at)
                square += pixels**2 * part * (1 - part) / looked_at
        if self.every > 1:
            share = max(self.share(of), 1 / counted)
            square += counted * share * (1 - share)
        return _CONFIDENCE * math.sqrt(square) / counted


def find_causes(
    route: Route,
    sample: Sample,
    loss: Floats,
    tolerance: float,
    ink_limit: float | None = None,
) -> Causes:
    """Compute what is lost of a picture, and why.

    Parameters
    ----------
    route
        As the picture is converted.
    sample
        Of the picture.
    loss
        Of the sample's colours, shape (n,), ΔE00.
    tolerance
        ΔE00 above which a colour is lost.
    ink_limit
        The most ink that the destination allows, 1 is one solid ink.
    """
    is_lost = loss > tolerance
    if not is_lost.any():
        error = sample.error(is_lost)
        refined = 0.0 if _has_refined(route) else None
        return Causes(0, 0, 0, 0, 0, 0, 0, refined, 0, error, error, "", {}, 0, is_lost)
    colours = sample.pixels[is_lost]
    asked = wanted(route, colours)
    beyond = medium_losses(route, colours, enough=tolerance, ink_limit=ink_limit) > tolerance
    darkest, lightest = _extremes(route)
    lightness = asked[..., 0]
    is_crushed = lightness < darkest - _DARKER_BY
    is_clipped = lightness > lightest + _DARKER_BY
    has_moved = np.full(len(colours), route.moves_on_purpose) & ~beyond

    def among_lost(which: NDArray[np.bool_]) -> NDArray[np.bool_]:
        found = np.zeros(len(is_lost), np.bool_)
        found[is_lost] = which
        return found

    is_counted = among_lost(~has_moved | is_crushed | is_clipped)
    undecided = sample.stands_for[UNDECIDED]
    weights = np.rint(sample.stands_for[:, is_lost].sum(axis=0)).astype(np.int64)
    still = _with_refined(route, sample, is_lost, tolerance)
    return Causes(
        lost=sample.share(is_lost),
        medium=sample.share(among_lost(beyond)),
        profile=sample.share(among_lost(~beyond & ~has_moved)),
        intent=sample.share(among_lost(has_moved)),
        crushed=sample.share(among_lost(is_crushed)),
        clipped=sample.share(among_lost(is_clipped)),
        counted=sample.share(is_counted),
        refined=None if still is None else sample.share(still),
        refined_error=0.0 if still is None else sample.error(still),
        lost_error=sample.error(is_lost),
        medium_error=sample.error(among_lost(beyond)),
        words=_in_words(asked, weights, is_crushed, is_clipped),
        hues=shares_by_hue(asked, weights),
        undecided=float(undecided[is_lost].sum() / max(1, undecided.sum())),
        is_counted=is_counted,
    )


def take_sample(tally: Tally, every: int = 1) -> Sample:
    """Take each colour once, as one of a flat area comes thousands of times.

    Parameters
    ----------
    tally
        Of the picture.
    every
        One of so many of its pixels is in it.
    """
    channels = tally.colours.shape[-1]
    samples = [tally.sample(group) for group in (KEPT, UNDECIDED, LOST)]
    for group, most_off in _MOST_OFF.items():
        share = float(tally.groups[group] / max(1, tally.groups.sum()))
        needed = math.ceil((0.5 * _CONFIDENCE * share / most_off) ** 2)
        samples[group] = samples[group][: max(_FEWEST, needed)]
    pixels, inverse = _distinct(np.concatenate([np.empty((0, channels), np.uint16), *samples]))
    sampled = np.array([len(each) for each in samples])
    stands_for = np.zeros((3, len(pixels)))
    ends = np.cumsum(sampled)
    for group, end in enumerate(ends):
        part = inverse[end - sampled[group] : end]
        each = tally.groups[group] / max(1, sampled[group])
        stands_for[group] = np.bincount(part, minlength=len(pixels)) * each
    return Sample(pixels, stands_for, tally.groups, sampled, every)


def _distinct(colours: Codes) -> tuple[Codes, NDArray[np.int64]]:
    """Return each colour once, in rising order, and where each of those given is among them.

    What `numpy.unique` does along an axis, which compares piece by piece: ten times as slow.
    """
    numbers = np.zeros(len(colours), np.uint64)
    for channel in range(colours.shape[1]):
        numbers = (numbers << _BITS) | colours[:, channel]
    found, at = np.unique(numbers, return_inverse=True)
    shifts = _BITS * np.arange(colours.shape[1], dtype=np.uint64)[::-1]
    return (found[:, None] >> shifts).astype(np.uint16), at


def count_by_blocks(tally: Tally, sample: Sample, causes: Causes) -> NDArray[np.int64]:
    """Count in each block of the picture what counts for a hold.

    Of one block the mean colour of all that may be lost there is known: that counts if the sampled
    colour does that is nearest to it.

    Parameters
    ----------
    tally
        Of the whole picture.
    sample, causes
        As they were taken of it and found.

    Returns
    -------
    Shape (rows, columns), pixels of those that are in the tally.
    """
    pixels: NDArray[np.int64] = tally.blocks[UNDECIDED] + tally.blocks[LOST]
    where = np.nonzero(pixels)
    may_be_lost = (sample.stands_for[UNDECIDED] + sample.stands_for[LOST]) > 0
    if not len(where[0]) or not may_be_lost.any():
        return pixels
    means = (tally.sums[where] / pixels[where][:, None]).astype(np.uint16)
    means >>= _FEWER_BITS
    distinct, at = _distinct(means)
    tree = scipy.spatial.KDTree(sample.pixels[may_be_lost] >> _FEWER_BITS)
    _, near = tree.query(distinct)
    counts: NDArray[np.int64] = np.zeros_like(pixels)
    counts[where] = pixels[where] * causes.is_counted[may_be_lost][near][at]
    return counts


def _extremes(route: Route) -> tuple[float, float]:
    """L* of the source's black and white as they come out."""
    probes = np.array(_EXTREMES[route.source.encoding], np.uint16)
    made = before_and_after(route, probes)[1]
    return float(made[0, 0]), float(made[1, 0])


def _with_refined(
    route: Route, sample: Sample, is_lost: NDArray[np.bool_], tolerance: float
) -> NDArray[np.bool_] | None:
    """Say what would be lost with the rendering refined. What is kept now would be kept."""
    if not _has_refined(route):
        return None
    refined = replace(
        route,
        intent=Intent.RELATIVE_COLORIMETRIC,
        black_point_compensation=route.compensates,
        rendering=Rendering.REFINED,
    )
    still = np.zeros(len(is_lost), np.bool_)
    still[is_lost] = losses(refined, sample.pixels[is_lost])[0] > tolerance
    return still


def _has_refined(route: Route) -> bool:
    """Say whether the rendering refined would be another, and another than absolute."""
    return (
        route.rendering is Rendering.INTENT
        and route.intent is not Intent.ABSOLUTE_COLORIMETRIC
        and route.source != route.destination
        and can_be_refined(route.destination)
    )


def _in_words(
    lab: Floats,
    weights: NDArray[np.int64],
    is_crushed: NDArray[np.bool_],
    is_clipped: NDArray[np.bool_],
) -> str:
    """Name what is lost, the most of it first."""
    rest = ~is_crushed & ~is_clipped
    named = [
        (weights[rest].sum(), describe_hues(lab[rest], weights[rest])),
        (weights[is_crushed].sum(), "shadows darker than the black that comes out"),
        (weights[is_clipped].sum(), "whites lighter than the white that comes out"),
    ]
    named.sort(key=lambda each: -each[0])
    enough = _WORTH_NAMING * weights.sum()
    return " and ".join(words for weight, words in named if weight and weight >= enough)
