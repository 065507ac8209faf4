"""Lattices: regions that lie beside each other in rows and columns, as a chart's patches do."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder_stages.reference.regions import Regions

Cell = tuple[int, int]
"""Column and row in a lattice, from an arbitrary 0."""

NEAREST = 6
"""Neighbours of a region that may be the next in its row or column."""

FEWEST = 7
"""Cells of a lattice that is worth a look."""

MOST_SEEDS = 150
"""Starts that are tried in one picture; those with most neighbours come first."""

FAR = 5
"""A lattice is followed no farther than the longer side of a chart."""


def lattices(regions: Regions) -> Iterator[dict[Cell, int]]:
    """Find lattices: which region stands in which cell, one after another.

    A lattice starts where four regions make a parallelogram. It is right-handed, as a chart is
    that is not seen in a mirror.
    """
    if len(regions.areas) <= FEWEST:
        return
    graph = _Graph(regions)
    used: set[int] = set()
    seeds = 0
    for start, pairs in graph.corners():
        if start in used:
            continue
        seeds += 1
        if seeds > MOST_SEEDS:
            return
        best: dict[Cell, int] = {}
        for right, down in pairs[:8]:
            cells = graph.grow(start, right, down)
            if len(cells) > len(best):
                best = cells
            if len(best) >= 22:
                break
        if len(best) >= FEWEST:
            used.update(best.values())
            yield best


class _Graph:
    """Which regions are neighbours of which."""

    def __init__(self, regions: Regions) -> None:
        self._at, self._area = regions.centres, regions.areas
        self._tree = scipy.spatial.cKDTree(self._at)
        side = np.sqrt(self._area)
        count = min(len(side), 24)
        distance, other = self._tree.query(self._at, count)
        ratio = self._area[other] / self._area[:, None]
        widest = np.maximum(side[other], side[:, None])
        self._is_near = (
            (distance < 3.2 * side[:, None])
            & (distance > 0.85 * widest)
            & (ratio > 0.3)
            & (ratio < 3.3)
        )
        self._is_next = self._is_near & (distance < 2.6 * side[:, None])
        self._is_next &= (ratio > 0.4) & (ratio < 2.5)
        self._other = other
        self._lists = [row[ok] for row, ok in zip(other, self._is_near, strict=True)]

    def corners(self) -> list[tuple[int, list[tuple[int, int]]]]:
        """List regions that are a corner of parallelograms, those of most parallelograms first.

        Each with pairs of its neighbours, right and down.
        """
        starts, rights, downs = self._pairs()
        if not len(starts):
            return []
        at = self._at
        u, v = at[rights] - at[starts], at[downs] - at[starts]
        lu, lv = np.hypot(*u.T), np.hypot(*v.T)
        distance, fourth = self._tree.query(at[starts] + u + v)
        ratio = self._area[fourth] / self._area[starts]
        ok = (distance < 0.3 * np.minimum(lu, lv)) & (ratio > 0.3) & (ratio < 3.3)
        ok &= (fourth != starts) & (fourth != rights) & (fourth != downs)
        starts, rights, downs, size = starts[ok], rights[ok], downs[ok], (lu + lv)[ok]
        pairs: dict[int, list[tuple[int, int]]] = {}
        for index in np.argsort(size, kind="stable").tolist():
            pairs.setdefault(int(starts[index]), []).append((int(rights[index]), int(downs[index])))
        return sorted(pairs.items(), key=lambda each: (-len(each[1]), each[0]))

    def _pairs(self) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
        """Return region, neighbour to the right, neighbour below, for all pairs that could be."""
        found: list[NDArray[np.intp]] = []
        for start in np.flatnonzero(self._is_next.sum(axis=1) >= 2):
            next_ones = self._other[start][self._is_next[start]][:NEAREST]
            step = self._at[next_ones] - self._at[start]
            length = np.hypot(*step.T)
            cross = step[:, None, 0] * step[None, :, 1] - step[:, None, 1] * step[None, :, 0]
            sine = cross / (length[:, None] * length)
            ratio = length[:, None] / length
            right, down = np.nonzero((sine > 0.5) & (ratio > 0.45) & (ratio < 2.2))
            here = np.full(len(right), start)
            found.append(np.stack([here, next_ones[right], next_ones[down]]))
        if not found:
            empty = np.zeros(0, np.intp)
            return empty, empty, empty
        starts, rights, downs = np.concatenate(found, axis=1)
        return starts, rights, downs

    def grow(self, start: int, right: int, down: int) -> dict[Cell, int]:
        """Follow rows and columns from three regions as far as they go."""
        at = self._at
        cells = {(0, 0): start, (1, 0): right, (0, 1): down}
        taken = set(cells.values())
        u, v = at[right] - at[start], at[down] - at[start]
        todo = list(cells)
        while todo:
            x, y = todo.pop(0)
            here = cells[x, y]
            near = self._lists[here]
            if not len(near):
                continue
            away = at[near] - at[here]
            for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                cell = (x + dx, y + dy)
                if cell in cells or abs(cell[0]) > FAR or abs(cell[1]) > FAR:
                    continue
                step = self._step(cells, x, y, dx, dy)
                if step is None:
                    step = u * dx + v * dy
                miss = away - step
                squared = miss[:, 0] ** 2 + miss[:, 1] ** 2
                index = int(squared.argmin())
                found = int(near[index])
                if squared[index] < 0.22**2 * (step @ step) and found not in taken:
                    cells[cell] = found
                    taken.add(found)
                    todo.append(cell)
        return cells

    def _step(
        self, cells: dict[Cell, int], x: int, y: int, dx: int, dy: int
    ) -> NDArray[np.float64] | None:
        """Return the step to the next cell, as it was on the other side or in the next row."""
        at = self._at
        behind = cells.get((x - dx, y - dy))
        if behind is not None:
            return np.asarray(at[cells[x, y]] - at[behind])
        for side in (1, -1):
            sx, sy = dy * side, dx * side
            one, other = cells.get((x + sx, y + sy)), cells.get((x + sx + dx, y + sy + dy))
            if one is not None and other is not None:
                return np.asarray(at[other] - at[one])
        return None
