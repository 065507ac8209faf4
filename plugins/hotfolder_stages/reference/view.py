"""The picture as people are shown it: where its reference is, and what a correction makes of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from hotfolder import Json, RasterSpec, ReferenceShown, number_in, say_share
from hotfolder.colour import Codes, Floats
from hotfolder_stages.reference.chart import COLUMNS, ROWS
from hotfolder_stages.reference.correcting import Corrector
from hotfolder_stages.reference.finder import Chart
from hotfolder_stages.reference.geometry import project
from hotfolder_stages.reference.telling import describe_reference, is_uneven

Outline = tuple[tuple[float, float], ...]
"""Points as shares of width and height."""

LONG_EDGE_PX = 720

TITLES: Final = {
    "keep the light": "If it is corrected, and its light kept",
    "neutral": "If its light is made neutral as well",
}


@dataclass(frozen=True, eq=False)
class Seen:
    """What is kept of a picture to be shown."""

    view: Codes
    """Small, shape (rows, width, channels)."""
    outlines: tuple[Outline, ...]
    """Of charts."""
    places: Outline
    """Middles of their patches."""


_CORNERS = np.array(
    [[-0.5, -0.5], [COLUMNS - 0.5, -0.5], [COLUMNS - 0.5, ROWS - 0.5], [-0.5, ROWS - 0.5]]
)


def show_reference(
    seen: Seen,
    said: Mapping[str, Json],
    holds: tuple[Mapping[str, Json], float, str] | None,
    views: tuple[tuple[str, Codes], ...],
    raster: RasterSpec,
) -> ReferenceShown:
    """Return what a page shows.

    Parameters
    ----------
    said
        The stage's findings so far.
    holds
        The reference that holds for the picture, its gain, and what it is in words.
    """
    corrected, how = said.get("corrected"), ""
    sentences = describe_reference(holds[0], holds[1]) if holds else []
    card = said.get("card")
    if isinstance(card, dict):
        by = "measured by the chart" if card.get("reflectance_measured") else "taken for granted"
        sentences.insert(
            0,
            f"What makes it a card: {card.get('confirmed_by')}. A grey patch alone is no proof. "
            f"Its reflectance, {100 * (number_in(card, 'reflectance') or 0):.0f} %, is {by}.",
        )
    if "carried_over" in said:
        sentences.insert(0, "It was carried over: nobody can know that the light was the same.")
    if isinstance(corrected, dict):
        how = f"Corrected ({corrected.get('how')}) by {corrected.get('by')}."
        cut = number_in(corrected, "cut_off_share")
        if cut:
            how += f" Of {say_share(cut)} of its pixels the profile cannot hold the colour."
        if corrected.get("rolled_off"):
            how += (
                " White in this light is more than the profile holds: the lightest places are made "
                "darker, keep the light’s colour and stay apart."
            )
        sentences.append(how)
    elif "not_corrected" in said:
        sentences.append(f"Its colours were not corrected. {said['not_corrected']}")
    else:
        sentences.append("Nothing was corrected: what is white is a decision.")
    boxes = (*seen.outlines, *_outline_card(card))
    title = f"By {holds[2]}" if holds else "What its reference says"
    return ReferenceShown(title, tuple(sentences), views, raster, boxes, seen.places, how)


def _outline_card(card: Json) -> tuple[Outline, ...]:
    """Return the card as it was read, and a line from its lightest to its darkest place."""
    if not isinstance(card, dict) or not isinstance(even := card.get("evenness"), dict):
        return ()
    match even.get("area"):
        case [float(left), float(top), float(right), float(bottom)]:
            lines: list[Outline] = [((left, top), (right, top), (right, bottom), (left, bottom))]
        case _:
            return ()
    match even.get("lightest"), even.get("darkest"):
        case [float(a), float(b)], [float(c), float(d)] if is_uneven(card):
            lines.append(((a, b), (c, d)))
    return tuple(lines)


def reduce_codes(codes: Codes) -> Codes:
    """Return a small picture: means of squares.

    Parameters
    ----------
    codes
        Shape (channels, rows, width), uint16.

    Returns
    -------
    Shape (rows, width, channels), uint16.
    """
    _, height, width = codes.shape
    k = max(1, -(-max(height, width) // LONG_EDGE_PX))
    rows, columns = max(1, height // k), max(1, width // k)
    part = codes[:, : rows * k, : columns * k]
    if part.shape[1] < k or part.shape[2] < k:
        return np.ascontiguousarray(codes.transpose(1, 2, 0))
    squares = part.reshape(len(codes), rows, k, columns, k)
    means = squares.mean(axis=(2, 4), dtype=np.float32)
    return np.ascontiguousarray(np.rint(means).astype(np.uint16).transpose(1, 2, 0))


def correct_view(view: Codes, corrector: Corrector) -> Codes:
    """Return a small picture as a correction makes it; what is counted of the whole stays."""
    other = Corrector(corrector.recorded, corrector.space, corrector.light, corrector.gain)
    return other.apply(view)


def outline(chart: Chart, codes: Codes) -> Outline:
    """Return the corners of a chart's patches, as shares of width and height."""
    return _shares(project(chart.homography, _CORNERS), codes)


def middles(chart: Chart, codes: Codes) -> Outline:
    """Return the middles of a chart's patches, as shares of width and height."""
    return _shares(chart.centres, codes)


def _shares(points: Floats, codes: Codes) -> Outline:
    _, height, width = codes.shape
    return tuple((float((x + 0.5) / width), float((y + 0.5) / height)) for x, y in points.tolist())
