"""Which of a printer's own resolutions a picture and a viewing distance ask for."""

from __future__ import annotations

from collections.abc import Sequence

from hotfolder import CLOSE_LOOKING, needed_ppi


def choose_ppi(native: Sequence[float], has_ppi: float, viewing_distance_mm: float) -> float:
    """The lowest of a printer's own resolutions that loses nothing; its highest if all do.

    What is to be lost is the smaller of what the picture has and what close looking from there
    can see: more pixels would carry nothing, or nothing that anybody sees.

    Parameters
    ----------
    has_ppi
        The original's own pixels per inch at the size it will have.
    """
    seen = CLOSE_LOOKING * needed_ppi(viewing_distance_mm)
    wanted = min(has_ppi, seen) if seen else has_ppi
    # A size in whole pixels may be off by half of one: a thousandth is no reason for twice as many.
    enough = [ppi for ppi in sorted(native) if ppi >= wanted * 0.999]
    return enough[0] if enough else max(native)
