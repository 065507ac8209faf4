"""Corrections fitted to a chart, and how far they hold for colours that took no part in the fit.

Four are fitted: a matrix and a root-polynomial of degree 2, each with and without a curve from
the greys before it. The residual on the patches themselves always praises the one with most
freedom, so they are judged by leave-one-out: each patch is predicted by a fit without it.

References
----------
Finlayson, G. D., Mackiewicz, M., & Hurlbert, A. (2015). Color correction using root-polynomial
regression. IEEE TIP 24(5), 1460-1470. DOI 10.1109/TIP.2015.2405336. Its terms are of one degree
of exposure, so that a fit holds also for what is darker or lighter than the chart.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from hotfolder.colour import Floats, delta_e_00, xyz_to_lab
from hotfolder_stages.reference.chart import GREYS

FEWEST_PATCHES = 14
"""With fewer that can be used, a fit of six terms says more of noise than of the light."""

FEWEST_GREYS = 4
"""Greys that a curve needs: with the origin, five points."""

GAIN_OF_A_CURVE = 0.75
"""A curve is kept when it brings leave-one-out down to this share; our own judgement.

In a picture without a look the greys' noise makes it worse, or better by less.
"""

CODE = 1 / 3
"""Exponent from light to the even steps in which curves are drawn, as CIE lightness has."""

SMALLEST_STEP = 1e-4
"""Between the codes of two greys; where they do not differ, nothing says how a curve runs."""

_LOOKED_AT = 513
"""Places at which a curve is looked at, whether it rises."""

WEIGHT_OFFSET = 0.05
"""Added to Y in the weights; below it noise and stray light say more than the colour."""


@dataclass(frozen=True)
class Curve:
    """Curves from the greys: light of a picture to the light that made it, a channel each.

    Points are cube roots of light and run from 0; above the last one a curve goes on straight, in
    its own direction.
    """

    measured: tuple[Floats, ...]
    """Points of each channel in the picture."""

    wanted: tuple[Floats, ...]
    """What each of them should be."""

    def apply(self, light: Floats) -> Floats:
        """Undo the curves; shape (..., 3)."""
        code = np.maximum(light, 0) ** CODE
        out = np.empty_like(code)
        for channel, (x, y) in enumerate(zip(self.measured, self.wanted, strict=True)):
            drawn, slope = _draw(x, y)
            inside = np.clip(code[..., channel], 0, x[-1])
            out[..., channel] = drawn(inside) + (code[..., channel] - inside) * slope
        return np.asarray(np.maximum(out, 0) ** (1 / CODE))


@dataclass(frozen=True)
class Correction:
    """A way from a picture's light to the colours of the chart under D50."""

    kind: str
    """``"matrix"`` or ``"root-polynomial"``."""

    matrix: Floats
    """Shape (3, terms): to XYZ, Y of white 1."""

    curve: Curve | None = None
    """What is undone before it."""

    def apply(self, light: Floats) -> Floats:
        """Return XYZ under D50 of linear light; shapes (n, 3)."""
        straight = light if self.curve is None else self.curve.apply(light)
        return np.asarray(_terms(self.kind, straight) @ self.matrix.T)


@dataclass(frozen=True)
class Fit:
    """A correction and its residual errors."""

    correction: Correction
    """What was fitted."""

    errors: Floats
    """Shape (24,): ΔE00 of each patch; NaN where it took no part."""

    left_out: Floats
    """Shape (24,): the same, as predicted by the fit without the patch."""

    @property
    def mean(self) -> float:
        """Mean of the patches that took part."""
        return float(np.nanmean(self.errors))

    @property
    def leave_one_out(self) -> float:
        """Mean of the patches as predicted by the others."""
        return float(np.nanmean(self.left_out))


@dataclass(frozen=True)
class Fits:
    """The best correction, and what the choice says about the picture."""

    best: Fit
    """The one to use."""

    straight: Fit
    """The best without a curve."""

    @property
    def has_curve(self) -> bool:
        """Whether the picture has a tone curve that its profile does not know of."""
        return self.best.correction.curve is not None


def fit_chart(light: Floats, reference: Floats, usable: NDArray[np.bool_]) -> Fits | None:
    """Fit corrections to a chart and choose by leave-one-out.

    Parameters
    ----------
    light
        Shape (24, 3), linear light as the picture has it.
    reference
        Shape (24, 3), XYZ under D50, Y of white 1.
    usable
        Shape (24,): patches that are neither clipped nor covered.

    Returns
    -------
    None when too few patches can be used.
    """
    if usable.sum() < FEWEST_PATCHES:
        return None
    straight = _best(light, reference, usable, with_curve=False)
    if usable[GREYS].sum() <= FEWEST_GREYS:
        return Fits(straight, straight)
    curved = _best(light, reference, usable, with_curve=True)
    helps = curved.leave_one_out < GAIN_OF_A_CURVE * straight.leave_one_out
    return Fits(curved if helps else straight, straight)


def grey_curve(light: Floats, reference: Floats, usable: NDArray[np.bool_]) -> Curve | None:
    """Make curves that give the greys the light they had; None when they do not rise."""
    chosen = np.flatnonzero(usable[GREYS]) + GREYS.start
    if len(chosen) < FEWEST_GREYS:
        return None
    wanted = np.sort(reference[chosen, 1]) ** CODE
    measured = []
    for channel in range(3):
        code = np.sort(np.maximum(light[chosen, channel], 0)) ** CODE
        if code[0] < SMALLEST_STEP or (np.diff(code) < SMALLEST_STEP).any():
            return None
        measured.append(np.concatenate([[0.0], code]))
    return Curve(tuple(measured), (np.concatenate([[0.0], wanted]),) * 3)


def _draw(x: Floats, y: Floats) -> tuple[Callable[[Floats], Floats], float]:
    """Draw a curve through rising points; return it and its slope at the last one.

    Akima's is nearer to a tone curve than one that is monotone by making: with a look, colours
    that took no part come out by 0.005 to 0.07 ΔE00 better, with eight looks. Where it does not
    rise, the other is drawn.
    """
    for kind in (scipy.interpolate.Akima1DInterpolator, scipy.interpolate.PchipInterpolator):
        drawn = kind(x, y)
        slopes = drawn.derivative()
        rising = slopes(np.linspace(0, x[-1], _LOOKED_AT)) >= 0
        if rising.all():
            break
    return drawn, max(0.0, float(slopes(x[-1])))


def colour_errors(xyz: Floats, reference: Floats) -> Floats:
    """Return ΔE00 of XYZ under D50; shapes (n, 3)."""
    return np.asarray(delta_e_00(xyz_to_lab(reference), xyz_to_lab(xyz)))


def _best(light: Floats, reference: Floats, usable: NDArray[np.bool_], *, with_curve: bool) -> Fit:
    fits = [
        _judged(kind, light, reference, usable, with_curve=with_curve)
        for kind in ("matrix", "root-polynomial")
    ]
    return min(fits, key=lambda fit: fit.leave_one_out)


def _judged(
    kind: str, light: Floats, reference: Floats, usable: NDArray[np.bool_], *, with_curve: bool
) -> Fit:
    """Fit, and fit again without each patch in turn."""
    curve = grey_curve(light, reference, usable) if with_curve else None
    terms = _terms(kind, light if curve is None else curve.apply(light))
    matrix = _solved(terms[usable], reference[usable])
    errors = colour_errors(terms @ matrix.T, reference)

    predicted = reference.copy()
    for patch in np.flatnonzero(usable).tolist():
        others = usable.copy()
        others[patch] = False
        own = terms
        if curve is not None and patch >= GREYS.start:
            # a curve through the patch itself would know what it is to predict
            without = grey_curve(light, reference, others)
            own = _terms(kind, light if without is None else without.apply(light))
        predicted[patch] = own[patch] @ _solved(own[others], reference[others]).T
    left_out = colour_errors(predicted, reference)
    return Fit(
        Correction(kind, matrix, curve),
        np.where(usable, errors, np.nan),
        np.where(usable, left_out, np.nan),
    )


def _solved(terms: Floats, reference: Floats) -> Floats:
    """Return the matrix from terms to XYZ with the least weighted squares."""
    # lightness is steep in the dark: without a weight the light patches alone would decide
    weight = 1 / np.sqrt(reference[:, 1:2] + WEIGHT_OFFSET)
    return np.asarray(np.linalg.lstsq(terms * weight, reference * weight)[0].T)


def _terms(kind: str, light: Floats) -> Floats:
    """Return what is weighed: the light itself, or its root-polynomial terms."""
    positive = np.maximum(light, 0)
    if kind == "matrix":
        return positive
    from colour.characterisation import polynomial_expansion_Finlayson2015

    terms = polynomial_expansion_Finlayson2015(positive, 2, root_polynomial_expansion=True)
    return np.asarray(terms)
