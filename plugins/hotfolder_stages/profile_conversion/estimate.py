"""How far a picture's own pixels are from the exact conversion: an estimate, with its confidence.

What a grid misses, it misses at few colours, so the largest error of a handful of colours says
little of the worst. Some pixels of the picture are converted exactly as well. If none of n pixels
that were drawn by chance is farther off than the largest error among them, then, in 95 of 100
pictures, at most 3 / n of all pixels are (the rule of three: Hanley, J. A., & Lippman-Hand, A.
(1983). If nothing goes wrong, is everything all right? JAMA, 249(13), 1743-1745).
"""

from __future__ import annotations

import numpy as np

from hotfolder import Json
from hotfolder.colour import Codes, Transform

PIXELS = 2048
"""How many are drawn: as many that 1.5 in a thousand may be farther off."""

CONFIDENCE = 0.95
_SEED = 1


class Estimate:
    """Draws pixels of a picture, whatever its bands are, and compares them.

    Parameters
    ----------
    width_px, height_px
        Of the picture.
    """

    def __init__(self, width_px: int, height_px: int) -> None:
        count = width_px * height_px
        drawn = np.random.default_rng(_SEED).integers(0, count, min(PIXELS, count))
        self._places = np.unique(drawn)
        self._width_px = width_px
        self._before: list[Codes] = []
        self._after: list[Codes] = []

    def note(self, top: int, before: Codes, after: Codes) -> None:
        """Keep the pixels drawn from a band: as it came, and as it was converted.

        Shapes (rows, width, channels of the source) and (rows, width, channels of the result).
        """
        first, last = top * self._width_px, (top + len(before)) * self._width_px
        start, stop = np.searchsorted(self._places, [first, last])
        here = self._places[start:stop] - first
        self._before.append(before.reshape(-1, before.shape[-1])[here])
        self._after.append(after.reshape(-1, after.shape[-1])[here])

    def findings(self, transform: Transform) -> dict[str, Json]:
        """Say how far the pixels are from the exact conversion, ΔE00, and how sure that is."""
        bound = transform.bound
        if not bound.points:  # exact, or known beforehand
            return {"mean": round(bound.mean, 4), "max": round(bound.largest, 3)}
        before, after = np.concatenate(self._before), np.concatenate(self._after)
        errors = transform.errors(before, after)
        return {
            "mean": round(float(errors.mean()), 4),
            "max": round(float(errors.max()), 3),
            "is": "an estimate, from pixels of the picture that were drawn by chance",
            "pixels_drawn": len(before),
            "share_beyond_max_at_most": round(min(1.0, 3 / len(before)), 5),
            "confidence": CONFIDENCE,
        }
