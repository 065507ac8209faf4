"""How much 24 colours are like those of a chart, whatever the light, its colour and how much."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Colours = NDArray[np.float64]
"""Shape (24, 3): linear light of red, green, blue; NaN where a place is outside the picture."""

LEFT_OUT = 3
"""The worst patches are not counted: a finger or a gleam may lie on them."""

FEWEST_SEEN = 20
"""Patches that must be inside the picture."""

DARKEST = 0.004
"""Added to all, as a share of the lightest: below it, ratios say more of noise than of colour."""


@dataclass(frozen=True)
class Likeness:
    """How well colours agree with a chart's."""

    score: float
    """-1 … 1: a correlation, 0.7 of chromaticities and 0.3 of lightness."""

    outliers: tuple[int, ...] = ()
    """The patches that agree worst and were not counted."""


def likeness(colours: Colours, chart: Colours) -> Likeness:
    """Compare colours with a chart's, in the same order.

    Logarithms of R/G, B/G and G are correlated with those of the chart. A change of exposure adds
    a constant to the third, one of the light's colour to the first two, and an uneven light
    leaves the first two alone, so that what is compared is the chart and not the light.
    """
    seen = np.asarray(np.isfinite(colours).all(axis=1))
    if seen.sum() < FEWEST_SEEN:
        return Likeness(-1.0)
    measured, expected = _features(np.where(seen[:, None], colours, 0)), _features(chart)
    weight: NDArray[np.float64] = seen.astype(np.float64)
    known = np.c_[expected, np.ones(len(expected))]
    fitted = known @ np.linalg.lstsq(known * weight[:, None], measured * weight[:, None])[0]
    miss = np.abs(measured - fitted).sum(axis=1) * weight
    outliers = np.argsort(-miss)[:LEFT_OUT]
    weight[outliers] = 0
    lightness, red, blue = _correlations(measured, expected, weight)
    score = 0.7 * (red + blue) / 2 + 0.3 * lightness
    return Likeness(float(score), tuple(int(each) for each in outliers))


def rough_likeness(places: NDArray[np.float64], chart: Colours) -> NDArray[np.float64]:
    """Compare many times 24 colours with a chart's, shape (n, 24, 3), without leaving any out.

    Returns
    -------
    Shape (n,): the mean correlation of the chromaticities; -1 where too few are seen.
    """
    seen = np.asarray(np.isfinite(places).all(axis=2))
    known = np.where(seen[..., None], places, 0)
    floor = np.maximum(DARKEST * known.max(axis=(1, 2), keepdims=True), 1e-9)
    logs = np.log(np.maximum(known, 0) + floor)
    weight = seen[..., None] / np.maximum(seen.sum(axis=1), 1)[:, None, None]
    one = logs[..., [0, 2]] - logs[..., 1:2]
    other = np.broadcast_to(_features(chart)[:, 1:], one.shape)
    one = one - (weight * one).sum(axis=1, keepdims=True)
    other = other - (weight * other).sum(axis=1, keepdims=True)
    spread = (weight * one**2).sum(axis=1) * (weight * other**2).sum(axis=1)
    correlation = ((weight * one * other).sum(axis=1) / np.sqrt(spread + 1e-18)).mean(axis=1)
    return np.where(seen.sum(axis=1) < FEWEST_SEEN, -1.0, correlation)


def has_colours(colours: NDArray[np.float64]) -> bool:
    """Whether colours, shape (n, 3), differ as those of a chart do, and not only in lightness."""
    features = _features(colours)
    return bool((np.ptp(features[:, 1:], axis=0) > 0.25).all())


def _features(colours: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return log G, log R/G, log B/G; shape (n, 3)."""
    logs = np.log(np.maximum(colours, 0) + max(DARKEST * float(np.max(colours)), 1e-9))
    return np.stack([logs[:, 1], logs[:, 0] - logs[:, 1], logs[:, 2] - logs[:, 1]], axis=1)


def _correlations(
    one: NDArray[np.float64], other: NDArray[np.float64], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    total = weight.sum()
    a = one - weight @ one / total
    b = other - weight @ other / total
    scale = np.sqrt((weight @ (a * a)) * (weight @ (b * b)) + 1e-18)
    return np.asarray(weight @ (a * b) / scale)
