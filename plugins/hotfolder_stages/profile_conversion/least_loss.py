"""Which intent loses less of one picture: perceptual, or relative colorimetric.

Relative colorimetric keeps what fits and moves the rest to the nearest colour that does, so that
many colours become one: a red flower becomes a flat patch and has lost its petals, even where the
difference of each pixel is small. Perceptual keeps the petals and pays with all the other colours,
which it moves to make room. Both are tried, with black point compensation, and given a score:

    score = colour + WEIGHT · (share of the picture's detail that does not fit) · (1 - detail kept)

*Colour* is the mean ΔE00 to the picture with its black scaled to the destination's, which neither
can avoid. *Detail* is local contrast: the standard deviation of colours in windows of 5 × 5 pixels,
in DIN99, where distances are near to visible ones. Its share is what lies where most of a window
does not fit; kept is what an intent leaves of it, no window counting more than it had. It is
looked at twice: in a copy reduced to about 512 pixels along its long edge, where 5 pixels are the
forms that the eye sees best in a whole picture (at a viewing distance of its diagonal, 3 cycles per
degree and less, the peak of contrast sensitivity: Robson, J. G. (1966), J. Opt. Soc. Am. 56(8),
1141-1142, DOI 10.1364/JOSA.56.001141, from memory), and in tiles at full resolution, where they
are its texture. Each has half the weight.

WEIGHT and the least contrast that counts as detail are our own judgement, no source.

References
----------
DIN 6176:2001-03, Farbmetrische Bestimmung von Farbabstaenden bei Koerperfarben nach der
DIN99-Formel; as given by Cui, G., Luo, M. R., Rigg, B., Roesler, G., & Witt, K. (2002). Uniform
colour spaces based on the DIN99 colour-difference formula. Color Research & Application, 27(4),
282-290. DOI 10.1002/col.10066.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder import Intent, Json, say_share
from hotfolder.colour import (
    Codes,
    Floats,
    Profile,
    Route,
    before_and_after,
    best_of,
    delta_e_00,
    over_slabs,
    round_trip_noise,
    wanted,
)

ReadRows = Callable[[int, int], Codes]
"""Rows from the first to before the second, shape (rows, width, channels)."""

INTENTS = (Intent.RELATIVE_COLORIMETRIC, Intent.PERCEPTUAL)
"""Those compared; the first is taken when neither is better."""

WEIGHT = 20.0
"""A picture that has lost all its detail is as bad as one whose colours are this many ΔE00 off."""

FITS_WITHIN = 1.0
"""ΔE00 up to which a colour fits, if the noise of the destination's profile is not more. Less than
what counts as lost: detail is lost before a single colour is."""

WINDOW_PX = 5
VISIBLE = 0.25
"""Standard deviation in DIN99 below which a window counts as smooth."""

REDUCED_LONG_EDGE_PX = 512
TILE_PX = 64
MOST_TILES = 40


@dataclass(frozen=True)
class Detail:
    """Detail among colours that do not fit."""

    share: float
    """Of the picture's local contrast, 0 … 1."""
    kept: Mapping[Intent, float]
    """Of that, by intent, 0 … 1."""


@dataclass(frozen=True)
class Choice:
    """The intent that loses less, and by what it was chosen."""

    intent: Intent
    reason: str
    """One plain sentence."""
    unfit_share: float = 0.0
    """Pixels of the reduced copy that do not fit."""
    colour: Mapping[Intent, float] = field(default_factory=dict)
    """Mean ΔE00 by intent."""
    forms: Detail | None = None
    """Detail of the reduced copy."""
    texture: Detail | None = None
    """Of the tiles, None when the reduced copy is the picture itself."""

    def score(self, intent: Intent) -> float:
        """Score of an intent, in ΔE00; less is better."""
        looked_at = [each for each in (self.forms, self.texture) if each is not None]
        lost = sum(each.share * (1 - each.kept[intent]) for each in looked_at)
        return self.colour[intent] + WEIGHT * lost / max(1, len(looked_at))

    def findings(self) -> dict[str, Json]:
        """Return it as JSON values for the record."""
        scores: dict[str, Json] = {
            str(intent): {
                "score": round(self.score(intent), 3),
                "mean_delta_e_00": round(self.colour[intent], 3),
                "forms_kept": round(self.forms.kept[intent], 3) if self.forms else None,
                "texture_kept": round(self.texture.kept[intent], 3) if self.texture else None,
            }
            for intent in self.colour
        }
        return {
            "chosen": str(self.intent),
            "reason": self.reason,
            "unfit_share": round(self.unfit_share, 6),
            "forms_share": round(self.forms.share, 6) if self.forms else None,
            "texture_share": round(self.texture.share, 6) if self.texture else None,
            "scores": scores,
        }


@dataclass(frozen=True)
class _Seen:
    """Pieces of a picture as they should be and as each intent makes them."""

    before: Floats
    """Shape (pieces, rows, width, 3), L*a*b*."""
    after: Mapping[Intent, Floats]
    """Shape (pieces, rows, width, 3), L*a*b*."""
    lost: NDArray[np.bool_]
    """Shape (pieces, rows, width)."""


def without_looking(source: Profile, destination: Profile) -> Choice | None:
    """The choice that needs no pixels, where the two intents do the same; else None."""
    if source.sha256 == destination.sha256:
        return Choice(INTENTS[0], "The picture is in the destination's profile already.")
    if not destination.has_intent(Intent.PERCEPTUAL, "to device"):
        return Choice(INTENTS[0], "The destination's profile has no perceptual table to compare.")
    return None


def choose(
    source: Profile, destination: Profile, size: tuple[int, int], read_rows: ReadRows
) -> Choice:
    """Compare the two intents for one picture.

    Parameters
    ----------
    size
        Width and height in pixels.
    read_rows
        Gives the picture's rows, any number of times.
    """
    tolerance = max(FITS_WITHIN, round_trip_noise(destination).p99)
    width_px, height_px = size
    factor = -(-max(width_px, height_px) // REDUCED_LONG_EDGE_PX)
    seen = _see(source, destination, reduced(size, read_rows, factor)[None], tolerance)
    colour = {
        intent: float(delta_e_00(seen.before, after).mean()) for intent, after in seen.after.items()
    }
    share = float(seen.lost.mean())
    forms, texture = detail(seen, _mean_contrast(seen.before), share), None
    if factor > 1 and share:
        places = np.argwhere(seen.lost[0]) * factor
        close = _see(source, destination, _tiles(places, size, read_rows), tolerance)
        everywhere = np.argwhere(np.ones_like(seen.lost[0])) * factor
        route = best_of(Route(source, destination))
        whole = wanted(route, _tiles(everywhere, size, read_rows))
        texture = detail(close, _mean_contrast(whole), share)
    choice = Choice(INTENTS[0], "", share, colour, forms, texture)
    best = min(INTENTS, key=choice.score)
    return replace(choice, intent=best, reason=_reason(choice, best))


def reduced(size: tuple[int, int], read_rows: ReadRows, factor: int) -> Codes:
    """The picture made smaller: the mean of each `factor` × `factor` pixels.

    What is left over at the right and at the bottom is left out. Means of encoded values, which is
    near enough for a comparison. Shape (height // factor, width // factor, channels), uint16.
    """
    width_px, height_px = size
    if factor == 1:
        return read_rows(0, height_px)
    columns = max(1, width_px // factor)
    across, rows_out = min(factor, width_px), max(1, height_px // factor)
    down = min(factor, height_px)
    strip = max(1, 64 // factor)
    parts = []
    for top in range(0, rows_out, strip):
        rows = min(strip, rows_out - top)
        pixels = read_rows(top * factor, top * factor + rows * down)[:, : columns * across]
        blocks = pixels.reshape(rows, down, columns, across, -1)
        parts.append(np.rint(blocks.mean(axis=(1, 3), dtype=np.float32)).astype(np.uint16))
    return np.concatenate(parts)


def detail(seen: _Seen, mean_contrast: float, unfit_share: float) -> Detail:
    """Measure how much local contrast lies, and survives, among colours that do not fit.

    Parameters
    ----------
    mean_contrast
        Of the whole picture, in DIN99 units per pixel.
    unfit_share
        Of the whole picture; the pieces may have been chosen for it.
    """
    before = local_contrast(seen.before)
    window = (1, WINDOW_PX, WINDOW_PX)
    fits_not = scipy.ndimage.uniform_filter(seen.lost.astype(np.float32), window) > 0.5
    where = fits_not & seen.lost & (before >= VISIBLE)
    had = float(before[where].sum())
    if not had:
        return Detail(0.0, dict.fromkeys(INTENTS, 1.0))
    kept = {
        intent: float(np.minimum(local_contrast(after)[where], before[where]).sum() / had)
        for intent, after in seen.after.items()
    }
    among_lost = had / int(seen.lost.sum()) * unfit_share
    return Detail(min(1.0, among_lost / mean_contrast) if mean_contrast else 1.0, kept)


def _mean_contrast(lab: Floats) -> float:
    contrast = local_contrast(lab)
    return float(np.where(contrast >= VISIBLE, contrast, 0).mean())


def local_contrast(lab: Floats) -> Floats:
    """Standard deviation of colours in the window around each pixel, in DIN99 units.

    Shape (pieces, rows, width, 3): L*, a*, b*; result (pieces, rows, width). The root
    of the sum of the three coordinates' variances; at the edge the picture is mirrored.
    """
    window = (1, WINDOW_PX, WINDOW_PX)
    variance = np.zeros(lab.shape[:-1])
    for channel in np.moveaxis(din99(lab), -1, 0):
        mean = scipy.ndimage.uniform_filter(channel, window)
        variance += scipy.ndimage.uniform_filter(channel * channel, window) - mean * mean
    return np.asarray(np.sqrt(np.maximum(variance, 0)))


def din99(lab: Floats) -> NDArray[np.float64]:
    """CIELAB to DIN99 with k_E = k_CH = 1. Shapes (..., 3): L*, a*, b* to L99, a99, b99."""
    L, a, b = np.moveaxis(np.asarray(lab, dtype=np.float64), -1, 0)
    turn = np.radians(16)
    e = a * np.cos(turn) + b * np.sin(turn)
    f = 0.7 * (b * np.cos(turn) - a * np.sin(turn))
    G = np.hypot(e, f)
    C99 = np.log1p(0.045 * G) / 0.045
    scale = np.divide(C99, G, out=np.ones_like(G), where=G > 0)
    return np.stack([105.51 * np.log1p(0.0158 * np.maximum(L, 0)), e * scale, f * scale], axis=-1)


def _see(source: Profile, destination: Profile, pixels: Codes, tolerance: float) -> _Seen:
    flat = pixels.reshape(-1, pixels.shape[-1])

    def compute(start: int, stop: int) -> tuple[Floats, ...]:
        part = flat[start:stop]
        relative = best_of(Route(source, destination))
        perceptual = replace(relative, intent=Intent.PERCEPTUAL)
        made = [before_and_after(route, part)[1] for route in (relative, perceptual)]
        return wanted(relative, part), *made

    slabs = over_slabs(compute, len(flat), 1, worth_a_thread=20_000)
    shape = (*pixels.shape[:-1], 3)
    before, *made = (np.concatenate(each).reshape(shape) for each in zip(*slabs, strict=True))
    after = dict(zip(INTENTS, made, strict=True))
    return _Seen(before, after, delta_e_00(before, after[INTENTS[0]]) > tolerance)


def _tiles(places: NDArray[np.intp], size: tuple[int, int], read_rows: ReadRows) -> Codes:
    """Read tiles at full resolution, evenly spread among places, shape (n, 2): row and column.

    Shape (tiles, rows, width, channels); fewer than `MOST_TILES` where places share a tile.
    """
    width_px, height_px = size
    last = np.array([max(0, height_px - TILE_PX), max(0, width_px - TILE_PX)])
    steps = np.linspace(0, len(places) - 1, MOST_TILES).round().astype(int)
    corners = np.unique(np.minimum(places[steps] // TILE_PX * TILE_PX, last), axis=0)
    tiles = []
    for top in np.unique(corners[:, 0]).tolist():
        rows = read_rows(top, min(top + TILE_PX, height_px))
        across = corners[corners[:, 0] == top, 1].tolist()
        tiles += [rows[:, left : left + TILE_PX] for left in across]
    return np.stack(tiles)


def _reason(choice: Choice, best: Intent) -> str:
    relative, perceptual = INTENTS
    score = {intent: f"{choice.score(intent):.2f}" for intent in INTENTS}
    scores = f"(score {score[best]} against {score[INTENTS[1 - INTENTS.index(best)]]})"
    if best is perceptual:
        if choice.colour[perceptual] <= choice.colour[relative]:
            return f"Perceptual is nearer to the picture's colours {scores}."
        return (
            f"Perceptual keeps detail in the {say_share(choice.unfit_share, 2)} of the "
            f"picture that cannot be made, which outweighs how it moves the rest {scores}."
        )
    if not choice.unfit_share:
        return f"All the picture's colours fit, and perceptual would move them {scores}."
    return (
        f"Relative colorimetric is nearer to the picture's colours, and the detail it loses in "
        f"those that do not fit weighs less {scores}."
    )
