"""Find 24-patch charts in a picture, at any turn and tilt.

Flat regions at every level of a pyramid, from coarse to fine; lattices of them; a homography for
each; each place of six by four in the lattice, in all turns; and of these the ones whose colours
are a chart's. Found charts are measured again at the level where their patches have about 16 to
48 pixels.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder_stages.reference.chart import COLUMNS, FINDING_COLOURS, LATTICE, ROWS
from hotfolder_stages.reference.geometry import Points, fit_homography, project
from hotfolder_stages.reference.lattice import Cell, lattices
from hotfolder_stages.reference.likeness import Likeness, has_colours, likeness, rough_likeness
from hotfolder_stages.reference.regions import Planes, Regions, flat_regions

SMALLEST_LEVEL_PX = 260
"""Longer edge of the coarsest level; a chart that fills it has patches of 40 pixels."""

THRESHOLDS = (0.012, 0.025, 0.05)
THRESHOLDS_NEAR = (0.008, 0.015, 0.03, 0.06)
"""Gradients that count as flat; near a chart that was found there is time for one more."""

ENOUGH = 0.88
"""Score from which a place is a chart."""

ENOUGH_OF_A_WHOLE = 0.72
"""Score that is enough where nearly all patches were found as regions.

A gleam or a hard shadow spoils more colours than may be left out. Charts with their patches in
another order, tiles and façades reached 0.61 at most in thousands of trials.
"""

WHOLE = 20
"""Regions of 24 that make a chart whole."""

SURE = 0.965
"""Score at which finer levels are not searched any more."""

WORTH_REFINING = 0.65

FEWEST_IN_A_PLACE = 8
"""Regions among the 24 cells of a place that is worth a look."""

LIKELIEST = 6
"""Places of a lattice that are compared with outliers left out, after a rough comparison of all."""

PITCH_PX = 48
"""Distance of patches at which a chart is measured; more is halved."""

AREA = 0.44
"""Side of the square that is read in a patch, as a share of the distance of patches."""


@dataclass(frozen=True)
class Chart:
    """A chart in a picture."""

    centres: Points
    """Shape (24, 2): x, y in pixels, 0 at the middle of the first; in reading order."""

    homography: NDArray[np.float64]
    """Shape (3, 3): from `LATTICE` to pixels."""

    score: float
    """-1 … 1, see `likeness`."""

    outliers: tuple[int, ...]
    """Patches that agree worst."""

    supports: int
    """Number of patches whose regions were found."""

    @property
    def pitch_px(self) -> float:
        """Mean distance of neighbouring patches."""
        grid = self.centres.reshape(ROWS, COLUMNS, 2)
        across = np.linalg.norm(np.diff(grid, axis=1), axis=-1).mean()
        down = np.linalg.norm(np.diff(grid, axis=0), axis=-1).mean()
        return float((across + down) / 2)


def find_charts(planes: Planes) -> list[Chart]:
    """Find charts in linear light.

    When a chart is found beyond doubt, finer levels are not searched: a second, much smaller one
    may then be missed.

    Parameters
    ----------
    planes
        Shape (3, rows, width), float32: linear red, green, blue of any primaries.

    Returns
    -------
    Best first; empty when there is none.
    """
    levels = pyramid(planes)
    found: list[Chart] = []
    for level, small in reversed(list(enumerate(levels))):
        if min(small.shape[1:]) < 8:
            continue
        scale = 2**level
        for place in _search(small):
            chart = _scaled(place, scale)
            if chart.score > WORTH_REFINING and not _is_known(chart, found):
                chart = _refined(levels, chart)
                if not _is_known(chart, found):
                    found.append(chart)
        if any(chart.score > SURE for chart in found):
            break
    found = sorted(filter(_is_chart, found), key=lambda each: -each.score)
    return [each for index, each in enumerate(found) if not _overlaps(each, found[:index])]


def _is_chart(place: Chart) -> bool:
    enough = ENOUGH_OF_A_WHOLE if place.supports >= WHOLE else ENOUGH
    return place.score >= enough


def pyramid(planes: Planes) -> list[Planes]:
    """Return the picture and halves of it, down to `SMALLEST_LEVEL_PX`."""
    levels = [planes]
    while max(levels[-1].shape[1:]) > SMALLEST_LEVEL_PX and min(levels[-1].shape[1:]) > 1:
        levels.append(_halved(levels[-1]))
    return levels


def sample(planes: Planes, centres: Points, half_px: float) -> NDArray[np.float64]:
    """Return the median of squares; shape (n, 3), NaN where one is not inside the picture."""
    _, height, width = planes.shape
    steps = np.linspace(-half_px, half_px, min(7, 2 * int(half_px) + 3))
    dy, dx = np.meshgrid(steps, steps, indexing="ij")
    with np.errstate(invalid="ignore"):
        x = np.rint(np.clip(centres[:, :1] + dx.ravel(), -9, width + 9)).astype(np.intp)
        y = np.rint(np.clip(centres[:, 1:] + dy.ravel(), -9, height + 9)).astype(np.intp)
    inside = ((x >= 0) & (x < width) & (y >= 0) & (y < height)).all(axis=1)
    out = np.full((len(centres), 3), np.nan)
    out[inside] = np.median(planes[:, y[inside], x[inside]], axis=-1).T
    return out


def _halved(planes: Planes) -> Planes:
    rows, width = planes.shape[1] // 2 * 2, planes.shape[2] // 2 * 2
    even = planes[:, 0:rows:2, :width] + planes[:, 1:rows:2, :width]
    return np.asarray((even[..., 0::2] + even[..., 1::2]) * np.float32(0.25))


def _search(planes: Planes) -> Iterator[Chart]:
    """Yield the best place of each lattice in one level, in its own pixels."""
    regions = flat_regions(planes, THRESHOLDS)
    for cells in lattices(regions):
        best = _best_place(planes, regions, cells)
        if best is not None:
            yield best


def _best_place(planes: Planes, regions: Regions, cells: dict[Cell, int]) -> Chart | None:
    """Try every place that a chart can have in a lattice, and return the most likely."""
    at = np.array(list(cells), dtype=np.float64)
    points = regions.centres[list(cells.values())]
    if np.ptp(at[:, 0]) < 1 or np.ptp(at[:, 1]) < 1:
        return None
    own = sample(planes, points, 1)
    if not has_colours(own[np.isfinite(own).all(axis=1)]):
        return None
    homography = _fit(at, points, 0.1)
    if homography is None:
        return None
    (x0, y0), (x1, y1) = at.min(axis=0).astype(int), at.max(axis=0).astype(int)
    # all cells that any place can reach, once: a place is then a choice of them
    origin = np.minimum([x0, y0], [x1 - COLUMNS + 1, y1 - COLUMNS + 1])
    end = np.maximum([x1, y1], [x0 + COLUMNS - 1, y0 + COLUMNS - 1])
    width, height = end - origin + 1
    columns, rows = np.meshgrid(np.arange(width), np.arange(height))
    every = np.stack([columns.ravel(), rows.ravel()], axis=1) + origin
    pitch = np.sqrt(abs(np.linalg.det(_jacobian(homography, at.mean(axis=0)))))
    colours = sample(planes, project(homography, every), AREA / 2 * pitch)
    is_region = np.zeros(height * width, bool)
    is_region[((at - origin) @ [1, width]).astype(int)] = True

    places = _places((x0, y0), (x1, y1))
    index = (places - origin) @ [1, width]
    ok = is_region[index].sum(axis=1) >= FEWEST_IN_A_PLACE
    places, index = places[ok], index[ok]
    likeliest = np.argsort(-rough_likeness(colours[index], FINDING_COLOURS))[:LIKELIEST]
    scores = [likeness(colours[index[each]], FINDING_COLOURS).score for each in likeliest]
    if not scores or max(scores) < WORTH_REFINING - 0.2:
        return None
    cell = places[likeliest[int(np.argmax(scores))]]
    # again from the patches alone: regions beside the chart may lie in no plane with it
    known = {(int(x), int(y)): index for index, (x, y) in enumerate(cell)}
    pairs = [(known[each], region) for each, region in cells.items() if each in known]
    patches, chosen = [each for each, _ in pairs], [region for _, region in pairs]
    again = _fit(LATTICE[patches], regions.centres[chosen], 0.1)
    if again is None:
        return None
    return _judged(planes, again, len(patches))


def _places(low: tuple[int, int], high: tuple[int, int]) -> NDArray[np.intp]:
    """Return the cells of the patches, shape (n, 24, 2), at all places in or around a lattice."""
    (x0, y0), (x1, y1) = low, high
    found = []
    for turns, cells in enumerate(_TURNED):
        wide, tall = (COLUMNS, ROWS) if turns % 2 == 0 else (ROWS, COLUMNS)
        left, right = sorted((x0, x1 - wide + 1))
        top, bottom = sorted((y0, y1 - tall + 1))
        x, y = np.meshgrid(np.arange(left, right + 1), np.arange(top, bottom + 1))
        found.append(cells + np.stack([x.ravel(), y.ravel()], axis=1)[:, None])
    return np.concatenate(found)


def _turned() -> tuple[NDArray[np.intp], ...]:
    """Return the patches' cells in a chart that is turned by no, one, two and three quarters."""
    x, y = LATTICE.astype(np.intp).T
    right, bottom = COLUMNS - 1, ROWS - 1
    ways = [(x, y), (bottom - y, x), (right - x, bottom - y), (y, right - x)]
    return tuple(np.stack(way, axis=1) for way in ways)


_TURNED = _turned()


def _fit(plane: Points, points: Points, tolerance: float) -> NDArray[np.float64] | None:
    """Fit a homography, and once more without what misses it; None when it does not hold.

    tolerance: how far points may lie from their place, as a share of their distance.
    """
    try:
        homography = fit_homography(plane, points)
        for _ in range(2):
            miss = np.linalg.norm(project(homography, plane) - points, axis=1)
            pitch = np.sqrt(abs(np.linalg.det(_jacobian(homography, plane.mean(axis=0)))))
            kept = miss < max(3 * float(np.median(miss)), 0.04 * pitch)
            if kept.sum() < 6 or kept.all():
                break
            homography = fit_homography(plane[kept], points[kept])
    except np.linalg.LinAlgError:
        return None
    miss = np.linalg.norm(project(homography, plane) - points, axis=1)
    pitch = np.sqrt(abs(np.linalg.det(_jacobian(homography, plane.mean(axis=0)))))
    if not np.isfinite(pitch) or pitch < 2 or np.median(miss) > tolerance * pitch:
        return None
    return homography


def _jacobian(homography: NDArray[np.float64], at: Points) -> NDArray[np.float64]:
    """Return how pixels change with columns and rows at a place; shape (2, 2)."""
    x, y, depth = homography @ [at[0], at[1], 1.0]
    depth = depth if abs(depth) > 1e-9 else 1e-9
    return np.asarray(
        (homography[:2, :2] - np.outer([x / depth, y / depth], homography[2, :2])) / depth
    )


def _judged(planes: Planes, homography: NDArray[np.float64], supports: int) -> Chart | None:
    """Read the colours at a place and say how much it is a chart."""
    centres = project(homography, LATTICE)
    grid = centres.reshape(ROWS, COLUMNS, 2)
    steps = [np.linalg.norm(np.diff(grid, axis=axis), axis=-1) for axis in (0, 1)]
    smallest = min(float(step.min()) for step in steps)
    largest = max(float(step.max()) for step in steps)
    if smallest < 2 or largest > 6 * smallest:
        return None
    like: Likeness = likeness(sample(planes, centres, AREA / 2 * smallest), FINDING_COLOURS)
    return Chart(centres, homography, like.score, like.outliers, supports)


def _scaled(chart: Chart, scale: float) -> Chart:
    """Return a chart in the pixels of the whole picture: a pixel's middle is a whole number."""
    shift = np.array([[scale, 0, (scale - 1) / 2], [0, scale, (scale - 1) / 2], [0, 0, 1]])
    homography = shift @ chart.homography
    return replace(chart, centres=project(homography, LATTICE), homography=homography)


def _refined(levels: list[Planes], chart: Chart) -> Chart:
    """Measure a chart's centres again at the level that suits its size."""
    level = 0
    while level + 1 < len(levels) and chart.pitch_px / 2**level > PITCH_PX:
        level += 1
    planes, scale = levels[level], 2**level
    best = chart
    for _ in range(2):
        again = _measured(planes, _scaled(best, 1 / scale))
        if again is None:
            break
        again = _scaled(again, scale)
        if again.score < best.score - 0.02:
            break
        best = again
    return best


def _measured(planes: Planes, chart: Chart) -> Chart | None:
    """Find the patches' regions near where they should be, and fit the homography to them."""
    margin = 1.2 * chart.pitch_px
    _, height, width = planes.shape
    x0, y0 = np.clip(np.floor(chart.centres.min(axis=0) - margin), 0, [width, height]).astype(int)
    x1, y1 = np.clip(np.ceil(chart.centres.max(axis=0) + margin), 0, [width, height]).astype(int)
    if x1 - x0 < 8 or y1 - y0 < 8:
        return None
    regions = flat_regions(np.ascontiguousarray(planes[:, y0:y1, x0:x1]), THRESHOLDS_NEAR)
    if len(regions.areas) < 8:
        return None
    points = regions.centres + np.array([x0, y0])
    distance, nearest = scipy.spatial.cKDTree(points).query(chart.centres)
    steps = [
        np.linalg.norm(
            project(chart.homography, LATTICE + half) - project(chart.homography, LATTICE - half),
            axis=1,
        )
        for half in ([0.5, 0], [0, 0.5])
    ]
    step = np.minimum(*steps)
    ok = (distance < 0.3 * step) & (regions.areas[nearest] > 0.2 * steps[0] * steps[1])
    if ok.sum() < 8:
        return None
    homography = _fit(LATTICE[ok], points[nearest[ok]], 0.1)
    return None if homography is None else _judged(planes, homography, int(ok.sum()))


def _is_known(chart: Chart, found: list[Chart]) -> bool:
    """Whether a chart that is at least as likely was found at its place already."""
    return any(each.score >= chart.score - 0.005 for each in found if _overlaps(chart, [each]))


def _overlaps(chart: Chart, others: list[Chart]) -> bool:
    middle = chart.centres.mean(axis=0)
    return any(
        np.linalg.norm(middle - each.centres.mean(axis=0))
        < 2.5 * max(chart.pitch_px, each.pitch_px)
        for each in others
    )
