"""What a measured strip says of colours that were not measured, and how sure that is.

The change of each of L*, a* and b* from what the profile says is taken for a smooth function of the
colour: a shift, one that shows less the darker the print is, as a paper's does, and a rest whose
values are the more alike, the nearer two colours lie. This is Gaussian process regression; how
large and how smooth the rest is, and how noisy a reading, is what makes the patches most likely.

References
----------
Rasmussen, C. E. & Williams, C. K. I. (2006). Gaussian Processes for Machine Learning,
equations 2.25, 2.26 and 2.30; 5.10 to 5.12 for patches left out.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np

from hotfolder.colour.arrays import Floats

_SHIFT_SD: Final = 2.0
"""How far a medium may shift as a whole, in L*, a* and b*; our own choice, as what follows."""
_RESTS: Final = (0.1, 0.3, 0.8, 2.0, 5.0)
_RANGES: Final = (12.0, 20.0)
"""In L*, a* and b*: how far apart colours are that change nearly alike."""
_NOISES: Final = (0.1, 0.2, 0.4)
_UNSURE: Final = 1.5
"""What is not known of all these; with it, 95 of 100 intervals hold in simulations of paper that
changes, tones that move and an ink that is short: tests/measuring/test_prediction.py."""
_AT_ONCE: Final = 4096
_BOX: Final = ((0.0, 100.0), (-100.0, 100.0), (-100.0, 120.0))
_STEP: Final = 4.0


@dataclass(frozen=True)
class ChangeModel:
    """How colours have changed, by some of them that were measured."""

    places: Floats
    """What the profile says of each patch: shape (n, 3)."""
    weights: Floats
    """Shape (n, 3)."""
    inverse: Floats
    """Of the patches' covariance, for each axis: shape (3, n, n)."""
    rests: Floats
    """Standard deviation of the rest, for each axis."""
    ranges: Floats
    """Its range, for each axis."""
    widened: Floats
    """By how much its uncertainty is widened, since patches left out were predicted worse."""

    def predict(self, lab: Floats) -> tuple[Floats, Floats]:
        """Say how colours have changed.

        Parameters
        ----------
        lab
            What the profile says of them: shape (n, 3), L*, a*, b* at D50, absolute.

        Returns
        -------
        Their change, and its standard deviation: shape (n, 3) each.
        """
        change, sd = np.empty_like(lab), np.empty_like(lab)
        for at in range(0, len(lab), _AT_ONCE):
            part = slice(at, at + _AT_ONCE)
            for axis in range(3):
                between = _covary(lab[part], self.places, self.rests[axis], self.ranges[axis])
                change[part, axis] = between @ self.weights[:, axis]
                own = _SHIFT_SD**2 * (1 + _shine(lab[part]) ** 2) + self.rests[axis] ** 2
                known = np.einsum("ij,jk,ik->i", between, self.inverse[axis], between)
                sd[part, axis] = self.widened[axis] * np.sqrt(np.maximum(own - known, 1e-6))
        return change, sd


class ChangeTable:
    """The change of a `ChangeModel` at points of L*a*b*, between which it is interpolated.

    A picture has more pixels than it is worth to ask the model for. Points are 4 apart in L*, a*
    and b*, a third of the least distance over which the model changes.

    Parameters
    ----------
    model
        Of a medium that was measured.
    """

    def __init__(self, model: ChangeModel) -> None:
        axes = [np.arange(low, high + 1, _STEP) for low, high in _BOX]
        points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
        change, _ = model.predict(points.reshape(-1, 3))
        self._change = change.reshape(points.shape)

    def change(self, lab: Floats) -> Floats:
        """Say what the medium makes of colours, as it was measured.

        Parameters
        ----------
        lab
            What the profile says of them: shape (n, 3), L*, a*, b* at D50, absolute.

        Returns
        -------
        L*, a*, b*: shape (n, 3).
        """
        from scipy import ndimage

        places = ((lab - [low for low, _ in _BOX]) / _STEP).T
        changed = [
            ndimage.map_coordinates(self._change[..., axis], places, order=1, mode="nearest")
            for axis in range(3)
        ]
        made: Floats = lab + np.stack(changed, axis=-1)
        return made


def fit_change(expected: Floats, found: Floats) -> ChangeModel:
    """Learn from measured patches how colours have changed.

    Parameters
    ----------
    expected
        What the profile says of each: shape (n, 3), L*, a*, b* at D50, absolute colorimetric.
    found
        What was measured, in the same order.

    Returns
    -------
    A model whose ``predict`` says the change of any colours, and its standard deviation.
    """
    change = found - expected
    number = len(expected)
    weights, inverse = np.empty((number, 3)), np.empty((3, number, number))
    rests, ranges, widened = np.empty(3), np.empty(3), np.empty(3)
    ways = list(itertools.product(_RESTS, _RANGES, _NOISES))
    covariances = [
        _covary(expected, expected, rest, reach) + noise**2 * np.eye(number)
        for rest, reach, noise in ways
    ]
    inverses = [np.linalg.inv(each) for each in covariances]
    sizes = [np.linalg.slogdet(each)[1] for each in covariances]
    for axis in range(3):
        values = change[:, axis]
        likely = [
            -(values @ each @ values) - size for each, size in zip(inverses, sizes, strict=True)
        ]
        best = int(np.argmax(likely))
        rests[axis], ranges[axis], _ = ways[best]
        inverse[axis] = inverses[best]
        weights[:, axis] = inverses[best] @ values
        left_out = np.abs(weights[:, axis]) / np.sqrt(np.diag(inverses[best]))
        spread = max(1.0, float(np.sqrt(np.mean(left_out**2))), float(np.sort(left_out)[-2]) / 2)
        widened[axis] = _UNSURE * spread
    return ChangeModel(expected, weights, inverse, rests, ranges, widened)


def _covary(one: Floats, other: Floats, rest: float, reach: float) -> Floats:
    square = ((one[:, None] - other[None]) ** 2).sum(axis=2)
    shared = _SHIFT_SD**2 * (1 + _shine(one)[:, None] * _shine(other)[None])
    made: Floats = shared + rest**2 * np.exp(-square / (2 * reach**2))
    return made


def _shine(lab: Floats) -> Floats:
    """How much of the paper shines through, 0 … 1."""
    shines: Floats = (lab[:, 0] / 100) ** 2
    return shines
