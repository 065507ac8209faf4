"""Which lightness to add to each pixel, from the lightness around it.

The detail of a pixel is its L* less the Gaussian mean of its surroundings. Where it is stronger
than noise the amount is added in full, where it is not nothing is: the gain is
1 - noise² / mean detail², that of Wiener's filter. What is added is bounded. So noise and smooth
skies stay as they are, to the last bit, and no halo is higher than the bound.

What noise cannot be
    Of a wave at the frequency that is aimed at, the Gaussian leaves little as detail, however
    plainly it is seen: a share r² of the power of the local contrast, which is what a wide mean,
    over a period of that wave, takes from L*. So much of the detail is explained by waves, and
    only what exceeds it can be noise. White noise does not explain itself: of the contrast, the
    share counts that exceeds 1.5 times what white noise of this detail would have.

What noise may be
    What the quietest place nearby has: the excess is compared with the least of it within 32
    pixels. Grain is everywhere alike, so it is found to be noise wherever it is; an edge or a
    branch has something quieter beside it. That is the idea of minimum statistics (R. Martin,
    IEEE Trans. Speech Audio Process. 9, 504 (2001), DOI 10.1109/89.928915), in two dimensions
    instead of time; the three times by which detail has to exceed it is ours, and what pure noise
    does by chance. As an even texture, such as cloth, looks like grain, noise is never taken to
    be more than a limit, unless detail and contrast are as alike as only white noise makes them.

What is given is taken nearby
    Some L* give more light on the bright side of an edge than they take on its dark side, and
    most of all on a point of light, which has no dark side to speak of. Ink and paper spread
    light and lose none, so what makes up for that may gain none. Where light is gained around a
    pixel, the steps upwards are made smaller and those downwards larger by the square root of the
    ratio, the larger ones by half at most, which leaves a wave its contrast; the other way round
    where light is lost. Measured without this, photographs sharpened for canvas gained 1.2 % of
    light, one of them 6 %.

Means are over triangles: as wide as the wave, and those of power as half of it. The Gaussian is
cut off at four sigma; rows and columns beyond the picture repeat its edge.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hotfolder_stages.output_sharpening.filters import (
    QUIET_PX,
    balance,
    find_detail,
    find_excess,
    find_steps,
    least_around,
    mean_around,
)

Plane = NDArray[np.float32]

_TRUNCATE = 4.0
_ROUNDING_L = 0.01
"""Detail below this is the rounding of 16-bit values, 0.0015 L*, and of the kernel's weights."""

_UNSEEN_L = 0.0007
"""Half a step of 16-bit L*: less is not worth changing a pixel."""

_ABOVE_NOISE = 3.0
_LARGEST_FACTOR = 1.5
"""By so much at most the weaker side of a halo is strengthened. No source."""

_MIN_SIDE_PX, _MAX_SIDE_PX = 4, 32
_ROWS_PER_TASK = 64


@dataclass(frozen=True)
class DetailFilter:
    """What is added to L*."""

    radius_px: float
    """Sigma of the Gaussian."""
    amount: float
    """Share of the detail that is added."""
    noise_l: float
    """The least detail, in L*, that is taken for noise."""
    most_noise_l: float
    """The most detail, in L*, that is. Equal to the least, no noise is looked for."""
    limit_l: float
    """The most that is added or taken, in L*."""
    frequency_per_px: float = 0.05
    """Cycles per pixel that are aimed at."""

    @property
    def side_px(self) -> int:
        """Of the squares of the wide means: the power of two next to the wave's period."""
        power = round(-math.log2(self.frequency_per_px))
        return min(max(1 << max(power, 0), _MIN_SIDE_PX), _MAX_SIDE_PX)

    @property
    def power_side_px(self) -> int:
        """Of the squares over which power is averaged: half of a wave has all of its power."""
        return self.side_px // 2

    @property
    def light_side_px(self) -> int:
        """Of the squares over which light is balanced: a halo has room in them."""
        return min(2 * self.side_px, _MAX_SIDE_PX)

    @property
    def gate(self) -> NDArray[np.float32]:
        """The numbers of `find_excess`.

        Share of the contrast's power that a wave has as detail; contrast of white noise over its
        detail, both as power; least and most noise; how much noise may exceed the most.
        """
        side, frequency = self.side_px, self.frequency_per_px
        narrow, wide = kernel(self.radius_px), triangle(side)
        share = (1 - _response(narrow, frequency)) / (1 - _response(wide, frequency))
        least = max(self.noise_l, _ROUNDING_L) ** 2
        most = max(self.most_noise_l**2, least)
        lift = _ABOVE_NOISE if self.most_noise_l > self.noise_l else 0.0
        flat = _noise_left(wide) / _noise_left(narrow)
        return np.array([share**2, flat, least, most, lift], np.float32)


def kernel(radius_px: float) -> NDArray[np.float64]:
    """The sampled Gaussian of sigma `radius_px`; its weights sum to 1."""
    reach = reach_px(radius_px)
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / radius_px) ** 2)
    return np.asarray(weights / weights.sum())


def triangle(side_px: int) -> NDArray[np.float64]:
    """The weights of the wide mean along one direction; they sum to 1."""
    side = np.full(side_px, 1 / side_px)
    return np.convolve(side, side)


def reach_px(radius_px: float) -> int:
    """Samples on each side of the kernel's centre."""
    return int(_TRUNCATE * radius_px + 0.5)


def _response(weights: NDArray[np.float64], frequency_per_px: float) -> float:
    place = np.arange(len(weights)) - len(weights) // 2
    return float(weights @ np.cos(2 * np.pi * frequency_per_px * place))


def _noise_left(weights: NDArray[np.float64]) -> float:
    """Power of white noise less its mean by these weights, along rows and columns."""
    centre = float(weights[len(weights) // 2])
    return 1 - 2 * centre**2 + float(weights @ weights) ** 2


class _Rows:
    """Rows of a plane that are kept while later ones need them."""

    def __init__(self, width: int) -> None:
        self._rows: Plane = np.empty((0, width), np.float32)
        self.start = 0

    @property
    def kept(self) -> Plane:
        return self._rows

    def add(self, rows: Plane) -> None:
        self._rows = np.concatenate([self._rows, rows])

    def part(self, start: int, stop: int) -> Plane:
        """The picture's rows from `start` to `stop`, one after the other."""
        return self._rows[start - self.start : stop - self.start].reshape(-1)

    def forget(self, row: int) -> None:
        """Forget the rows before the picture's row `row`."""
        if row > self.start:
            self._rows = self._rows[row - self.start :]
            self.start = row


class AddedLightness:
    """The lightness to add to a picture whose rows come from its top.

    Four steps follow each other, each a few rows behind the one before: detail and contrast;
    their means; what is added by the noise nearby; the balance of light.

    Parameters
    ----------
    height_px, width_px
        Of the whole picture.
    """

    def __init__(self, made: DetailFilter, height_px: int, width_px: int) -> None:
        self._filter = made
        self._height, self._width = height_px, width_px
        self._half = _half_kernel(made.radius_px)
        self._gate = made.gate
        least = self._gate[2]
        self._steps_by = np.array([made.amount, made.limit_l, least, _ABOVE_NOISE], np.float32)
        self._balance_by = np.array([made.limit_l, _UNSEEN_L, _LARGEST_FACTOR], np.float32)
        names = "lightness detail fine coarse power excess most steps given taken"
        self._planes = {name: _Rows(width_px) for name in names.split()}
        self._done = [0, 0, 0, 0]
        self._arrived = 0
        self._counts = np.zeros(4)

    @property
    def limited(self) -> int:
        """Pixels that met the limit."""
        return int(self._counts[0])

    @property
    def left_alone(self) -> int:
        """Pixels to which nothing was added."""
        return int(self._counts[1])

    @property
    def applied(self) -> float:
        """Share of the amount that was added, 0 … 1: of all detail, by its power."""
        asked = self._filter.amount * self._counts[3]
        return float(self._counts[2] / asked) if asked else 0.0

    def push(self, lightness: Plane, threads: Executor) -> Plane:
        """Take the next rows of L*; return what to add to the rows that are ready.

        Parameters
        ----------
        lightness
            Shape (rows, width), float32, 0 … 100.

        Returns
        -------
        float32, shape (rows that are ready, width): L*, between -limit_l and limit_l, and exactly
        0 where the detail is not stronger than noise.
        """
        self._arrived += len(lightness)
        self._planes["lightness"].add(lightness)
        wide, near = self._filter.side_px - 1, self._filter.power_side_px - 1
        known, added = self._arrived, np.empty((0, self._width), np.float32)
        reaches = (max(len(self._half) - 1, wide), near, QUIET_PX, self._filter.light_side_px - 1)
        works = (self._find_detail, self._find_means, self._find_steps, self._balance)
        for step, (reach, work) in enumerate(zip(reaches, works, strict=True)):
            start = self._done[step]
            known = max(start, known if known == self._height else known - reach)
            added = work(start, known, threads)
            self._done[step] = known
        self._forget(reaches)
        return added

    def _find_detail(self, start: int, stop: int, threads: Executor) -> Plane:
        given, side = self._planes["lightness"], self._filter.side_px
        detail, fine, coarse = self._room(start, stop, "detail fine coarse")

        def work(first: int, rows: slice) -> None:
            find_detail(given.kept, given.start, first, self._height, self._half, detail[rows])
            mean_around(given.kept, given.start, first, self._height, side, coarse[rows])
            here = given.kept[first - given.start :][: len(coarse[rows])]
            np.square(here - coarse[rows], out=coarse[rows])
            np.square(detail[rows], out=fine[rows])

        self._do(start, stop, work, threads)
        return self._keep({"detail": detail, "fine": fine, "coarse": coarse})

    def _find_means(self, start: int, stop: int, threads: Executor) -> Plane:
        fine, coarse = self._planes["fine"], self._planes["coarse"]
        side = self._filter.power_side_px
        power, excess, most = self._room(start, stop, "power excess most")

        def work(first: int, rows: slice) -> None:
            mean_around(fine.kept, fine.start, first, self._height, side, power[rows])
            contrast = np.empty_like(power[rows])
            mean_around(coarse.kept, coarse.start, first, self._height, side, contrast)
            find_excess(
                power[rows].reshape(-1),
                contrast.reshape(-1),
                self._gate,
                excess[rows].reshape(-1),
                most[rows].reshape(-1),
            )

        self._do(start, stop, work, threads)
        return self._keep({"power": power, "excess": excess, "most": most})

    def _find_steps(self, start: int, stop: int, threads: Executor) -> Plane:
        planes, excess = self._planes, self._planes["excess"]
        steps, given, taken = self._room(start, stop, "steps given taken")

        def work(first: int, rows: slice) -> None:
            quietest = np.empty_like(steps[rows])
            least_around(excess.kept, excess.start, first, self._height, quietest)
            last = first + len(quietest)
            find_steps(
                planes["detail"].part(first, last),
                planes["lightness"].part(first, last),
                planes["power"].part(first, last),
                excess.part(first, last),
                quietest.reshape(-1),
                planes["most"].part(first, last),
                self._steps_by,
                steps[rows].reshape(-1),
                given[rows].reshape(-1),
                taken[rows].reshape(-1),
            )

        self._do(start, stop, work, threads)
        return self._keep({"steps": steps, "given": given, "taken": taken})

    def _balance(self, start: int, stop: int, threads: Executor) -> Plane:
        planes, side = self._planes, self._filter.light_side_px
        (added,) = self._room(start, stop, "added")

        def work(first: int, rows: slice) -> NDArray[np.float64]:
            up, down = np.empty_like(added[rows]), np.empty_like(added[rows])
            for name, out in (("given", up), ("taken", down)):
                mean_around(planes[name].kept, planes[name].start, first, self._height, side, out)
            last, counts = first + len(up), np.zeros(4)
            balance(
                planes["steps"].part(first, last),
                up.reshape(-1),
                down.reshape(-1),
                planes["detail"].part(first, last),
                self._balance_by,
                added[rows].reshape(-1),
                counts,
            )
            return counts

        for counts in self._do(start, stop, work, threads):
            self._counts += counts
        return added

    def _room(self, start: int, stop: int, names: str) -> list[Plane]:
        return [np.empty((stop - start, self._width), np.float32) for _ in names.split()]

    def _keep(self, rows: dict[str, Plane]) -> Plane:
        for name, plane in rows.items():
            self._planes[name].add(plane)
        return np.empty((0, self._width), np.float32)

    def _do(
        self, start: int, stop: int, work: Callable[[int, slice], Any], threads: Executor
    ) -> list[Any]:
        """Call `work` with the first row of each task, and its rows of what is made."""

        def one(first: int) -> Any:
            return work(first, slice(first - start, min(first + _ROWS_PER_TASK, stop) - start))

        return list(threads.map(one, range(start, stop, _ROWS_PER_TASK)))

    def _forget(self, reaches: tuple[int, ...]) -> None:
        """Forget rows that no later row needs."""
        needed = [done - reach for done, reach in zip(self._done, reaches, strict=True)]
        last_needed = {
            "lightness": min(needed[0], self._done[2]),
            "detail": self._done[3],
            "fine": needed[1],
            "coarse": needed[1],
            "power": self._done[2],
            "excess": needed[2],
            "most": self._done[2],
            "steps": self._done[3],
            "given": needed[3],
            "taken": needed[3],
        }
        for name, row in last_needed.items():
            self._planes[name].forget(row)


def _half_kernel(radius_px: float) -> Plane:
    """The kernel from its centre, as `find_detail` takes it: of odd length, with a 0 if need be."""
    half = kernel(radius_px)[reach_px(radius_px) :]
    return np.append(half, np.zeros(1 - len(half) % 2)).astype(np.float32)
