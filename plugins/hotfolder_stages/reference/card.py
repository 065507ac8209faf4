"""A grey card that a person names, or that lies where one lay beside a chart in another frame.

A grey patch is no proof of a card: a wall, a road or a jacket is grey as well, or only looks it
under its light. So none is looked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, ValidationError

from hotfolder import Json, Neighbour
from hotfolder.colour import D50_XYZ, Codes, Floats
from hotfolder_stages.reference.correcting import adapt
from hotfolder_stages.reference.light import describe_white, rounded
from hotfolder_stages.reference.patches import DARK_END, LIGHT_END
from hotfolder_stages.reference.reduced import Space
from hotfolder_stages.reference.spot import cut_spot

USUAL_REFLECTANCE = 0.18
"""Of the light, by a card that is sold as a grey one for exposure."""

_AROUND = 0.15
"""How far from the place its card is looked for, as a share of the longer edge."""

_SAME_LIGHT = 1.35
"""Ratio of light to that at the place, within which a neighbouring pixel is of the card."""

_SAME_COLOUR = 0.06
"""Difference of log R/G and log B/G, likewise."""

_FEWEST_PIXELS = 60

_FLAT = 0.06
"""Spread of log light within the place that a person has not named."""

_COLOUR_MAY_DIFFER = 0.25
"""Of log R/G and log B/G between the frame with the chart and another one, at the same place."""


class KnownCard(BaseModel):
    """A card as another frame shares it, where it lies beside a chart."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)

    at: tuple[float, float]
    """Its place, as shares of width and height."""
    xyz: tuple[float, float, float]
    """Under D50, Y of the perfect diffuser 1, as measured by the chart."""
    rgb: tuple[float, float, float]
    """Linear RGB in that frame."""


@dataclass(frozen=True)
class Evenness:
    """How the light falls off across a card, by a plane through the logarithm of its light."""

    stops: float
    """Between its lightest and its darkest place."""
    lightest: tuple[float, float]
    """Where, as shares of the picture's width and height."""
    darkest: tuple[float, float]
    """Likewise."""
    area: tuple[float, float, float, float]
    """Left, top, right and bottom of what was read, likewise."""


@dataclass(frozen=True)
class Card:
    """A card in a picture, as it was read."""

    at: tuple[float, float]
    """Its place, as shares of width and height."""
    box: tuple[int, int, int, int]
    """Left, top, right, bottom of what was read, in pixels of the copy."""
    pixels: int
    """How many of the copy's."""
    rgb: Floats
    """Linear, shape (3,)."""
    evenness: Evenness
    """Of the light on it."""


def read_card(codes: Codes, space: Space, at: tuple[float, float]) -> Card | None:
    """Read the card at a place; None when it is black or clipped there, or too small.

    Parameters
    ----------
    codes
        Shape (3, rows, width), uint16, in `space`.
    at
        Shares of width and height.
    """
    from scipy import ndimage

    _, height, width = codes.shape
    seed = np.median(cut_spot(codes, at).reshape(3, -1), axis=1)
    if (seed >= LIGHT_END * 65535).any() or (seed <= DARK_END * 65535).any():
        return None
    reach = max(4, round(_AROUND * max(height, width)))
    x, y = min(width - 1, int(at[0] * width)), min(height - 1, int(at[1] * height))
    left, top = max(0, x - reach), max(0, y - reach)
    piece = np.ascontiguousarray(codes[:, top : y + reach + 1, left : x + reach + 1])
    light = np.maximum(space.light(piece).astype(np.float64), 1e-6)
    middle = np.maximum(space.light(np.rint(seed).astype(np.uint16)[:, None, None]), 1e-6)[:, 0, 0]
    is_like = _is_like(ndimage.uniform_filter(light, (0, 3, 3)), middle.astype(np.float64))
    labels, _ = ndimage.label(is_like)
    number = labels[y - top, x - left]
    if number == 0:
        return None
    # an edge is half of what is beside it
    inside = ndimage.binary_erosion(labels == number, iterations=2)
    if inside.sum() < _FEWEST_PIXELS:
        return None
    rows, columns = np.nonzero(inside)
    return Card(
        at=at,
        box=(left + columns.min(), top + rows.min(), left + columns.max(), top + rows.max()),
        pixels=int(inside.sum()),
        rgb=np.median(light[:, inside], axis=1),
        evenness=_measure_evenness(light[1][inside], columns + left, rows + top, (width, height)),
    )


def find_known(
    neighbours: Sequence[Neighbour], codes: Codes, space: Space
) -> tuple[Card, KnownCard, Neighbour] | None:
    """Find a card where one lay beside a chart in another frame of the shoot.

    Parameters
    ----------
    neighbours
        Frames whose light holds for this one, the nearest in time first.
    """
    for neighbour in neighbours:
        known = read_known(neighbour.said.get("card"))
        if known is None or not _is_flat(codes, space, known.at):
            continue
        card = read_card(codes, space, known.at)
        if card is not None and _differ(card.rgb, np.array(known.rgb)) < _COLOUR_MAY_DIFFER:
            return card, known, neighbour
    return None


def read_known(said: Json) -> KnownCard | None:
    """Read a card that another frame shares."""
    try:
        return KnownCard.model_validate(said) if said is not None else None
    except ValidationError:
        return None


def measure_card(
    card: Card, space: Space, confirmed: str, known: tuple[float, float, float] | None
) -> dict[str, Json]:
    """Say what a card tells, as findings; the keys are those of a chart's.

    Parameters
    ----------
    confirmed
        What confirms that it is a card, in words.
    known
        Its XYZ under D50 as a chart has told; None for a neutral one of the usual reflectance.
    """
    is_it = np.array(known) if known else np.array(D50_XYZ) * USUAL_REFLECTANCE
    seen = space.to_xyz @ card.rgb
    ratio = seen / is_it
    stops = float(np.log2(ratio[1]))
    white = ratio / ratio[1] * np.array(D50_XYZ)
    matrix = adapt(white, np.array(D50_XYZ)) @ space.to_xyz / 2**stops
    return {
        "reference": "grey card",
        "at": [round(each, 5) for each in card.at],
        "confirmed_by": confirmed,
        "reflectance": round(float(is_it[1]), 4),
        "reflectance_measured": known is not None,
        "exposure_stops": rounded(stops, 2),
        **describe_white(white, space.to_xyz),
        "unevenness_percent": round(100 * (2**card.evenness.stops - 1), 1),
        "evenness": _say_evenness(card.evenness),
        "residual": None,
        "correction": {
            "kind": "matrix",
            "matrix": [[round(float(each), 6) for each in row] for row in matrix.tolist()],
            "curve": None,
            "rgb_profile": space.profile.description,
        },
    }


def share_card(card: Card, xyz: tuple[float, float, float]) -> dict[str, Json]:
    """Return what other frames may know of a card that lies beside a chart."""
    red, green, blue = (round(each, 6) for each in card.rgb.tolist())
    return KnownCard(
        at=card.at,
        xyz=(round(xyz[0], 5), round(xyz[1], 5), round(xyz[2], 5)),
        rgb=(red, green, blue),
    ).model_dump(mode="json")


def _is_like(light: Floats, middle: Floats) -> NDArray[np.bool_]:
    ratio = np.log(light / middle[:, None, None])
    colour = np.maximum(np.abs(ratio[0] - ratio[1]), np.abs(ratio[2] - ratio[1]))
    return np.asarray((np.abs(ratio[1]) < np.log(_SAME_LIGHT)) & (colour < _SAME_COLOUR))


def _measure_evenness(
    light: Floats, x: NDArray[np.intp], y: NDArray[np.intp], size: tuple[int, int]
) -> Evenness:
    middle = np.array([x.mean(), y.mean()])
    around = np.c_[x, y] - middle
    slope = np.linalg.lstsq(np.c_[around, np.ones(len(x))], np.log2(light))[0][:2]
    # along the slope: corners would be chosen by noise where it goes straight across
    steepness = float(np.hypot(*slope))
    along = slope / max(steepness, 1e-12)
    reach = around @ along
    ends = [middle + 0.5 + end * along for end in (reach.max(), reach.min())]

    def place(column: float, row: float) -> tuple[float, float]:
        return float(column / size[0]), float(row / size[1])

    return Evenness(
        stops=steepness * float(np.ptp(reach)),
        lightest=place(*ends[0]),
        darkest=place(*ends[1]),
        area=(*place(x.min(), y.min()), *place(x.max() + 1, y.max() + 1)),
    )


def _say_evenness(evenness: Evenness) -> dict[str, Json]:
    return {
        "stops": rounded(evenness.stops, 2),
        "lightest": [round(each, 4) for each in evenness.lightest],
        "darkest": [round(each, 4) for each in evenness.darkest],
        "area": [round(each, 4) for each in evenness.area],
    }


def _is_flat(codes: Codes, space: Space, at: tuple[float, float]) -> bool:
    light = space.light(np.ascontiguousarray(cut_spot(codes, at))).reshape(3, -1)
    low, high = np.percentile(np.log(np.maximum(light, 1e-6)), [10, 90], axis=1)
    return bool((high - low).max() < _FLAT)


def _differ(one: Floats, other: Floats) -> float:
    log = np.log(np.maximum(one, 1e-6) / np.maximum(other, 1e-6))
    return float(max(abs(log[0] - log[1]), abs(log[2] - log[1])))
