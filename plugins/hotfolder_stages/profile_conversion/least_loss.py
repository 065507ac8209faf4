"""Which way of a picture's colours into a medium loses least, of all that the medium allows.

Relative colorimetric keeps what fits and moves the rest to the nearest colour that does, so that
many colours become one: a red flower becomes a flat patch and has lost its petals, even where the
difference of each pixel is small. Perceptual keeps the petals and pays with all the other colours,
which it moves to make room. Refined is nearest to the colours that fit; detail pays for petals with
the colours near to them alone. All are tried, with black point compensation, and given a score:

    score = colour + WEIGHT · (share of the picture's detail that does not fit) · (1 - detail kept)

*Colour* is the mean ΔE00 to the picture with its black scaled to the destination's, which none
can avoid. *Detail* is local contrast (`hotfolder.colour.contrast`). Its share is what lies
where most of a window does not fit; kept is what a rendering leaves of it, no window counting more
than it had. It is looked at twice: in a copy reduced to about 512 pixels along its long edge, where
5 pixels are the forms that the eye sees best in a whole picture (at a viewing distance of its
diagonal, 3 cycles per degree and less, the peak of contrast sensitivity: Robson, J. G. (1966),
J. Opt. Soc. Am. 56(8), 1141-1142, DOI 10.1364/JOSA.56.001141, from memory), and in tiles at full
resolution, where they are its texture. Each has half the weight.

WEIGHT and the least contrast that counts as detail are our own judgement, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from hotfolder import Json, Rendering, Way, say_share
from hotfolder.colour import (
    VISIBLE,
    Codes,
    Floats,
    Precision,
    Profile,
    Reach,
    Route,
    Transform,
    allowed_ways,
    contrast_kept,
    delta_e_00,
    find_reach,
    local_contrast,
    over_slabs,
    round_trip_noise,
    to_lab,
    wanted,
    where_unfit,
)
from hotfolder_stages.profile_conversion.reduction import ReadRows, factor_of, reduced

RELATIVE = Way()
"""Taken when none is better."""

PERCEPTUAL, REFINED, DETAIL = (Way.named(name) for name in ("perceptual", "refined", "detail"))

WEIGHT = 20.0
"""A picture that has lost all its detail is as bad as one whose colours are this many ΔE00 off."""

FITS_WITHIN = 1.0
"""ΔE00 up to which a colour fits, if the noise of the destination's profile is not more. Less than
what counts as lost: detail is lost before a single colour is."""

TILE_PX = 64
MOST_TILES = 40


@dataclass(frozen=True)
class Detail:
    """Detail among colours that do not fit."""

    share: float
    """Of the picture's local contrast, 0 … 1."""
    kept: Mapping[Way, float]
    """Of that, by way, 0 … 1."""


@dataclass(frozen=True)
class Choice:
    """The way that loses least, and by what it was chosen."""

    way: Way
    reason: str
    """One plain sentence."""
    unfit_share: float = 0.0
    """Pixels of the reduced copy that do not fit."""
    colour: Mapping[Way, float] = field(default_factory=dict)
    """Mean ΔE00 by way."""
    forms: Detail | None = None
    """Detail of the reduced copy."""
    texture: Detail | None = None
    """Of the tiles, None when the reduced copy is the picture itself."""
    reach: Reach = field(default_factory=Reach)
    """Of the picture beyond the destination, if `way` needs to know it."""

    def score(self, way: Way) -> float:
        """Score of a way, in ΔE00; less is better."""
        looked_at = [each for each in (self.forms, self.texture) if each is not None]
        lost = sum(each.share * (1 - each.kept[way]) for each in looked_at)
        return self.colour[way] + WEIGHT * lost / max(1, len(looked_at))

    def findings(self) -> dict[str, Json]:
        """Return it as JSON values for the record."""
        scores: dict[str, Json] = {
            str(way): {
                "score": round(self.score(way), 3),
                "mean_delta_e_00": round(self.colour[way], 3),
                "forms_kept": round(self.forms.kept[way], 3) if self.forms else None,
                "texture_kept": round(self.texture.kept[way], 3) if self.texture else None,
            }
            for way in self.colour
        }
        return {
            "chosen": str(self.way),
            "reason": self.reason,
            "unfit_share": round(self.unfit_share, 6),
            "forms_share": round(self.forms.share, 6) if self.forms else None,
            "texture_share": round(self.texture.share, 6) if self.texture else None,
            "scores": scores,
        }


@dataclass(frozen=True)
class _Seen:
    """Pieces of a picture as they should be and as each way makes them."""

    before: Floats
    """Shape (pieces, rows, width, 3), L*a*b*."""
    after: Mapping[Way, Floats]
    """Shape (pieces, rows, width, 3), L*a*b*."""
    lost: NDArray[np.bool_]
    """Shape (pieces, rows, width)."""


def list_ways(destination: Profile, precision: Precision) -> tuple[Way, ...]:
    """List what a destination allows; the first is taken when none is better."""
    return tuple(
        way
        for way in allowed_ways(destination)
        if precision is not Precision.FAST or way.rendering is Rendering.INTENT
    )


def without_looking(source: Profile, destination: Profile, ways: tuple[Way, ...]) -> Choice | None:
    """The choice that needs no pixels, where there is one way only; else None."""
    if source.sha256 == destination.sha256:
        return Choice(RELATIVE, "The picture is in the destination's profile already.")
    if len(ways) == 1:
        return Choice(RELATIVE, "The destination's profile allows nothing else to compare.")
    return None


def choose(
    source: Profile,
    destination: Profile,
    size: tuple[int, int],
    read_rows: ReadRows,
    ways: tuple[Way, ...],
) -> Choice:
    """Compare ways for one picture.

    Parameters
    ----------
    size
        Width and height in pixels.
    read_rows
        Gives the picture's rows, any number of times.
    ways
        Those that the destination allows, relative colorimetric among them.
    """
    factor = factor_of(size)
    small = reduced(size, read_rows, factor)
    reach = find_reach(source, destination, small) if DETAIL in ways else Reach()
    looking = _Looking(source, destination, ways, reach)
    seen = looking.see(small[None])
    colour = {
        way: float(delta_e_00(seen.before, after).mean()) for way, after in seen.after.items()
    }
    share = float(seen.lost.mean())
    forms, texture = detail(seen, _mean_contrast(seen.before), share), None
    if factor > 1 and share:
        places = np.argwhere(seen.lost[0]) * factor
        close = looking.see(_tiles(places, size, read_rows))
        everywhere = np.argwhere(np.ones_like(seen.lost[0])) * factor
        whole = wanted(Route(source, destination), _tiles(everywhere, size, read_rows))
        texture = detail(close, _mean_contrast(whole), share)
    choice = Choice(ways[0], "", share, colour, forms, texture, reach)
    best = min(ways, key=choice.score)
    return replace(choice, way=best, reason=_reason(choice, best))


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
    where = where_unfit(before, seen.lost)
    had = float(before[where].sum())
    if not had:
        return Detail(0.0, dict.fromkeys(seen.after, 1.0))
    kept = {
        way: contrast_kept(before, local_contrast(after), where)
        for way, after in seen.after.items()
    }
    among_lost = had / int(seen.lost.sum()) * unfit_share
    return Detail(min(1.0, among_lost / mean_contrast) if mean_contrast else 1.0, kept)


def _mean_contrast(lab: Floats) -> float:
    contrast = local_contrast(lab)
    return float(np.where(contrast >= VISIBLE, contrast, 0).mean())


class _Looking:
    """Makes pieces of a picture in each way."""

    def __init__(
        self, source: Profile, destination: Profile, ways: tuple[Way, ...], reach: Reach
    ) -> None:
        self._source, self._destination = source, destination
        # the points of a grid that the winner needs are made here, and used again
        self._transforms = {
            way: Transform(
                source,
                destination,
                way.intent,
                precision=Precision.FINE,
                rendering=way.rendering,
                reach=reach if way.rendering is Rendering.DETAIL else None,
            )
            for way in ways
        }
        self._judge = REFINED if REFINED in ways else RELATIVE
        # what a table leaves of a colour that fits is no loss; refined leaves nothing
        noise = 0.0 if self._judge is REFINED else round_trip_noise(destination).p99
        self._tolerance = max(FITS_WITHIN, noise)

    def see(self, pixels: Codes) -> _Seen:
        """Make pieces: shape (pieces, rows, width, channels)."""
        flat = pixels.reshape(1, -1, pixels.shape[-1])
        shape = (*pixels.shape[:-1], 3)
        route = Route(self._source, self._destination)
        before = _in_parts(lambda part: wanted(route, part), flat[0]).reshape(shape)
        after = {}
        for way, transform in self._transforms.items():
            made = transform.apply(flat)[0]
            after[way] = _in_parts(lambda part: to_lab(self._destination, part), made).reshape(
                shape
            )
        lost = delta_e_00(before, after[self._judge]) > self._tolerance
        return _Seen(before, after, lost)


def _in_parts(compute: Callable[[Codes], Floats], pixels: Codes) -> Floats:
    parts = over_slabs(
        lambda start, stop: compute(pixels[start:stop]), len(pixels), 1, worth_a_thread=20_000
    )
    return np.concatenate(parts)


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


def _reason(choice: Choice, best: Way) -> str:
    others = sorted((way for way in choice.colour if way != best), key=choice.score)
    against = ", ".join(f"{choice.score(way):.2f} of {way}" for way in others)
    scores = f"(score {choice.score(best):.2f} against {against})"
    name, unfit = str(best).capitalize(), say_share(choice.unfit_share, 2)
    if choice.colour[best] <= min(choice.colour.values()) and best != RELATIVE:
        fits = "" if choice.unfit_share else " All of them fit."
        return f"{name} is nearest to the picture's colours {scores}.{fits}"
    if best == PERCEPTUAL:
        return (
            f"Perceptual keeps detail in the {unfit} of the picture that cannot be made, which "
            f"outweighs how it moves the rest {scores}."
        )
    if best == DETAIL:
        return (
            f"Detail keeps neighbours apart in the {unfit} of the picture that cannot be made, "
            f"which outweighs what it moves for that {scores}."
        )
    if not choice.unfit_share:
        return f"All the picture's colours fit, and nothing comes nearer to them {scores}."
    return (
        f"{name} is near to the picture's colours, and the detail it loses in those that do not "
        f"fit weighs less {scores}."
    )
