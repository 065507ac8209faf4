"""A gamut in closed form: six tetrahedra around the grey axis.

Eight colours span the solid: white, black, and the six full colours of a device with three
colorants. The unit cube of colorant light (0 none, 1 all let through) is cut into six tetrahedra
along its diagonal from black to white, and each is carried linearly into L*a*b*. This is
tetrahedral interpolation over the eight corners, so a colour management system that interpolates
so too can represent it without error, and everything that is hard for real printers is exact here:

* the inverse is the solution of a 3 × 3 linear system, one for each tetrahedron;
* a colour is inside when its weights for white and black are not negative;
* the surface is twelve triangles, so that the nearest printable colour and the distance to it are
  elementary geometry.

Own construction, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_RING = np.array([[1, 0, 0], [1, 1, 0], [0, 1, 0], [0, 1, 1], [0, 0, 1], [1, 0, 1]], dtype=float)
"""Light of red, yellow, green, cyan, blue, magenta: the order of the hue circle."""

_EDGE_OF_GAMUT = 1e-9
"""Weights below zero by less than this are rounding, not a colour outside."""


@dataclass(frozen=True)
class Weights:
    """Where colours lie between the corners of their tetrahedron; the four weights sum to 1."""

    sector: NDArray[np.intp]
    """Shape (n,), 0 … 5, between ring colour `sector` and the next; white, black, first,."""
    white: Floats
    black: Floats
    first: Floats
    second: Floats
    """Shape (n,). In gamut, none is negative."""


@dataclass(frozen=True)
class Solid:
    """The colours of a device with three colorants, in L*a*b*.

    Raises
    ------
    ValueError
    When the ring does not run once around the axis from black to white, so that colours
    would not have one recipe.
    """

    white: Floats
    """Shape (3,)."""
    black: Floats
    """Shape (3,)."""
    ring: Floats
    """Shape (6, 3), red, yellow, green, cyan, blue, magenta."""
    _inverses: Floats = field(init=False, repr=False)

    def __post_init__(self) -> None:
        following = np.roll(self.ring, -1, axis=0)
        edges = np.stack(
            [
                np.broadcast_to(self.white - self.black, (6, 3)),
                self.ring - self.black,
                following - self.black,
            ],
            axis=-1,
        )
        if np.any(np.linalg.det(edges) <= 0):
            message = "the six full colours must run once around the axis from black to white"
            raise ValueError(message)
        object.__setattr__(self, "_inverses", np.linalg.inv(edges))

    def to_lab(self, light: ArrayLike) -> Floats:
        """Colours of colorant light, shape (n, 3), 0 … 1; returns L*a*b*, shape (n, 3)."""
        light = np.asarray(light, dtype=np.float64)
        order = np.argsort(-light, axis=1, kind="stable")
        high, middle, low = np.take_along_axis(light, order, axis=1).T[:, :, None]
        corners = np.empty((8, 3))
        corners[0], corners[7] = self.black, self.white
        corners[(_RING @ [1, 2, 4]).astype(int)] = self.ring
        one = 1 << order[:, 0]
        two = one + (1 << order[:, 1])
        return np.asarray(
            (1 - high) * self.black
            + (high - middle) * corners[one]
            + (middle - low) * corners[two]
            + low * self.white
        )

    def weights(self, lab: ArrayLike) -> Weights:
        """Weights of colours, shape (n, 3), inside and outside; the inverse of the mixture."""
        offset = np.asarray(lab, dtype=np.float64) - self.black
        parts = np.einsum("sij,nj->sni", self._inverses, offset)
        # Exactly one sector has both ring weights positive; the largest minimum finds it even
        # where rounding leaves a colour of the border in neither.
        sector = np.argmax(np.minimum(parts[:, :, 1], parts[:, :, 2]), axis=0)
        white, first, second = parts[sector, np.arange(len(offset))].T
        return Weights(sector, white, 1 - white - first - second, first, second)

    def to_light(self, lab: ArrayLike) -> Floats:
        """Colorant light of colours, shape (n, 3); 0 … 1 for colours inside, not clipped."""
        weights = self.weights(lab)
        following = np.roll(_RING, -1, axis=0)
        return np.asarray(
            weights.white[:, None]
            + weights.first[:, None] * _RING[weights.sector]
            + weights.second[:, None] * following[weights.sector]
        )

    def contains(self, lab: ArrayLike) -> Bools:
        """Whether colours, shape (n, 3), can be made; the surface belongs to the solid."""
        weights = self.weights(lab)
        return np.asarray(np.minimum(weights.white, weights.black) >= -_EDGE_OF_GAMUT)

    def signed_distance(self, lab: ArrayLike) -> Floats:
        """Distance to the surface in ΔE*ab (CIE 1976), shape (n,); negative inside."""
        lab = np.asarray(lab, dtype=np.float64)
        distance = np.linalg.norm(self.nearest_on_surface(lab) - lab, axis=1)
        return np.asarray(np.where(self.contains(lab), -distance, distance))

    def nearest(self, lab: ArrayLike) -> Floats:
        """The nearest colours that can be made, in ΔE*ab (CIE 1976): inside, the same colours."""
        lab = np.asarray(lab, dtype=np.float64)
        nearest = lab.copy()
        outside = ~self.contains(lab)
        nearest[outside] = self.nearest_on_surface(lab[outside])
        return nearest

    def nearest_on_surface(self, lab: ArrayLike) -> Floats:
        """The nearest colours of the surface, shape (n, 3)."""
        lab = np.asarray(lab, dtype=np.float64)
        best = np.full(len(lab), np.inf)
        nearest = np.empty_like(lab)
        circle = [*self.ring, self.ring[0]]
        poles = (self.white, self.black)
        candidates = [_on_segment(lab, a, b) for a, b in pairwise(circle)]
        candidates += [_on_segment(lab, pole, tip) for pole in poles for tip in self.ring]
        candidates += [_on_triangle(lab, pole, a, b) for pole in poles for a, b in pairwise(circle)]
        for candidate in candidates:
            squared = np.sum((candidate - lab) ** 2, axis=1)
            closer = squared < best
            best[closer] = squared[closer]
            nearest[closer] = candidate[closer]
        return nearest


def _on_segment(points: Floats, start: Floats, end: Floats) -> Floats:
    along = end - start
    share = np.clip((points - start) @ along / (along @ along), 0, 1)
    return np.asarray(start + share[:, None] * along)


def _on_triangle(points: Floats, a: Floats, b: Floats, c: Floats) -> Floats:
    """Feet of the perpendiculars; infinitely far where they miss the triangle (edges are apart)."""
    sides = np.stack([b - a, c - a])
    shares = (points - a) @ np.linalg.pinv(sides)
    inside = (shares >= 0).all(axis=1) & (shares.sum(axis=1) <= 1)
    return np.where(inside[:, None], a + shares @ sides, np.inf)
