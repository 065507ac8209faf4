"""Colour differences, and statistics of them over pictures of any size.

References
----------
Sharma, G., Wu, W., & Dalal, E. N. (2005). The CIEDE2000 color-difference formula: Implementation
notes, supplementary test data, and mathematical observations. Color Research & Application,
30(1), 21-30. DOI 10.1002/col.20070. Equation numbers are those of this paper.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Floats


@dataclass(frozen=True)
class Parts:
    """What CIEDE2000 is made of, each term weighted as in the formula; sample - reference."""

    lightness: Floats
    """ΔL'/S_L."""
    chroma: Floats
    """ΔC'/S_C."""
    hue: Floats
    """ΔH'/S_H."""
    total: Floats
    """ΔE00. The squares of the first three and R_T · chroma · hue, which matters among blues
    only, add up to the square of the total."""


def delta_e_00(reference: Floats, sample: Floats) -> Floats:
    """CIEDE2000 difference with k_L = k_C = k_H = 1.

    Parameters
    ----------
    reference, sample
        Shape (..., 3): L*, a*, b*.

    Returns
    -------
    float64, shape (...), 0 and more. Hues almost opposite need that: in float32 one of the 34
    published pairs comes out 0.06 wrong.
    """
    return delta_e_00_parts(reference, sample).total


def delta_e_00_parts(reference: Floats, sample: Floats) -> Parts:
    """CIEDE2000 difference, and its parts in lightness, chroma and hue. As `delta_e_00`."""
    L1, a1, b1 = np.moveaxis(np.asarray(reference, dtype=np.float64), -1, 0)
    L2, a2, b2 = np.moveaxis(np.asarray(sample, dtype=np.float64), -1, 0)

    # Step 1: C'_i and h'_i (2 to 7)
    C_bar = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    C_bar_7 = C_bar**7
    G = 0.5 * (1 - np.sqrt(C_bar_7 / (C_bar_7 + 25.0**7)))
    a1_p, a2_p = (1 + G) * a1, (1 + G) * a2
    C1_p, C2_p = np.hypot(a1_p, b1), np.hypot(a2_p, b2)
    h1_p = np.degrees(np.arctan2(b1, a1_p)) % 360
    h2_p = np.degrees(np.arctan2(b2, a2_p)) % 360

    # Step 2: ΔL', ΔC', ΔH' (8 to 11)
    dL_p = L2 - L1
    dC_p = C2_p - C1_p
    no_hue = C1_p * C2_p == 0
    dh_p = h2_p - h1_p
    dh_p = dh_p - 360 * (dh_p > 180) + 360 * (dh_p < -180)
    dh_p = np.where(no_hue, 0, dh_p)
    dH_p = 2 * np.sqrt(C1_p * C2_p) * np.sin(np.radians(dh_p / 2))

    # Step 3: ΔE00 (12 to 22)
    L_bar_p = (L1 + L2) / 2
    C_bar_p = (C1_p + C2_p) / 2
    h_sum = h1_p + h2_p
    far_apart = np.abs(h1_p - h2_p) > 180
    h_bar_p = np.where(far_apart, np.where(h_sum < 360, h_sum + 360, h_sum - 360), h_sum) / 2
    h_bar_p = np.where(no_hue, h_sum, h_bar_p)
    h_rad = np.radians(h_bar_p)
    T = (
        1
        - 0.17 * np.cos(h_rad - np.radians(30))
        + 0.24 * np.cos(2 * h_rad)
        + 0.32 * np.cos(3 * h_rad + np.radians(6))
        - 0.20 * np.cos(4 * h_rad - np.radians(63))
    )
    d_theta = 30 * np.exp(-(((h_bar_p - 275) / 25) ** 2))
    C_bar_p_7 = C_bar_p**7
    R_C = 2 * np.sqrt(C_bar_p_7 / (C_bar_p_7 + 25.0**7))
    L_50 = (L_bar_p - 50) ** 2
    S_L = 1 + 0.015 * L_50 / np.sqrt(20 + L_50)
    S_C = 1 + 0.045 * C_bar_p
    S_H = 1 + 0.015 * C_bar_p * T
    R_T = -np.sin(np.radians(2 * d_theta)) * R_C

    lightness, chroma, hue = dL_p / S_L, dC_p / S_C, dH_p / S_H
    # Rounding can leave a sum of squares a hair below zero where both colours are the same.
    square = lightness**2 + chroma**2 + hue**2 + R_T * chroma * hue
    return Parts(lightness, chroma, hue, np.sqrt(np.maximum(square, 0)))


class DifferenceStatistics:
    """Mean, 95th and 99th percentile and maximum of differences, in bounded memory.

    Notes
    -----
    Differences are counted as codes: 0 … 65535 are 0 … `FULL_SCALE` ΔE, what is more counts as
    `FULL_SCALE`. So every figure is right to half a code, 0.0008 ΔE.
    """

    FULL_SCALE = 100.0

    def __init__(self) -> None:
        self._counts = np.zeros(65536, dtype=np.int64)

    @classmethod
    def encode(cls, differences: Floats) -> NDArray[np.uint16]:
        """Turn differences, any shape, 0 and more, into codes.

        Parameters
        ----------
        differences
            ΔE00, any shape, 0 and more.

        Returns
        -------
        Codes of the same shape.
        """
        scaled = np.asarray(differences) * (65535 / cls.FULL_SCALE)
        codes: NDArray[np.uint16] = np.rint(np.clip(scaled, 0, 65535)).astype(np.uint16)
        return codes

    def add(self, differences: Floats) -> None:
        """Count differences, any shape.

        Parameters
        ----------
        differences
            ΔE00, any shape, 0 and more.
        """
        self.add_codes(self.encode(differences))

    def add_codes(self, codes: NDArray[np.uint16]) -> None:
        """Count differences that are codes already, any shape, dtype uint16.

        Parameters
        ----------
        codes
            As `encode` returns them, any shape.
        """
        self.add_counts(np.bincount(codes.ravel(), minlength=65536))

    def add_counts(self, counts: NDArray[np.int64]) -> None:
        """Add how often each code occurred. Shape (65536,).

        Parameters
        ----------
        counts
            Shape (65536,), by code.
        """
        self._counts += counts

    def add_weighted(self, differences: Floats, times: NDArray[np.int64]) -> None:
        """Count each difference as often as `times` says. Shapes (n,) and (n,).

        Parameters
        ----------
        differences
            ΔE00, shape (n,).
        times
            How often each occurred, shape (n,).
        """
        counts = np.bincount(self.encode(differences), weights=times, minlength=65536)
        self.add_counts(np.rint(counts).astype(np.int64))

    @property
    def count(self) -> int:
        """How many differences were counted."""
        return int(self._counts.sum())

    @classmethod
    def first_code_above(cls, difference: float) -> int:
        """Return the smallest code that stands for more than `difference`; 65536 if none does.

        Parameters
        ----------
        difference
            ΔE00, 0 and more.

        Returns
        -------
        A code, or 65536.
        """
        return min(65536, int(np.floor(difference * 65535 / cls.FULL_SCALE + 0.5)) + 1)

    def share_above(self, difference: float) -> float:
        """Share of the differences that are more than `difference`, 0 … 1.

        Parameters
        ----------
        difference
            ΔE00, 0 and more.

        Returns
        -------
        The share, 0 … 1; 0 when nothing was counted.
        """
        first = self.first_code_above(difference)
        return float(self._counts[first:].sum() / max(1, self.count))

    def summary(self) -> dict[str, float]:
        """Return ``mean``, ``p95``, ``p99`` and ``max``; zeros when nothing was counted.

        A percentile is the smallest difference that as many percent of all do not exceed.

        Returns
        -------
        ΔE00 by name.
        """
        total = self.count
        if not total:
            return {"mean": 0.0, "p95": 0.0, "p99": 0.0, "max": 0.0}
        reached = np.cumsum(self._counts)
        codes = {
            "mean": float(np.arange(65536) @ self._counts) / total,
            "p95": float(np.searchsorted(reached, 0.95 * total)),
            "p99": float(np.searchsorted(reached, 0.99 * total)),
            "max": float(np.flatnonzero(self._counts)[-1]),
        }
        return {key: round(code * self.FULL_SCALE / 65535, 3) for key, code in codes.items()}
