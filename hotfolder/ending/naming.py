"""What the results of single pictures are called, as their destination's file says."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Final

from hotfolder.model.destination import Surface
from hotfolder.model.name_template import fill_template
from hotfolder.model.records import ResultRecord
from hotfolder.model.units import MM_PER_INCH
from hotfolder.settings.files import Destination

_MAX_STEM_BYTES: Final = 100
_NUMBER_DIGITS: Final = 4


def name_result(
    original: str, destination: Destination, result: ResultRecord, number: int, day: date
) -> str:
    """Name a single picture's result, without its suffix.

    Parameters
    ----------
    original
        The name of the original; a long one is cut, so that the other fields stay.
    destination
        What it was made for.
    result
        What was made.
    number
        Of the job in its root.
    day
        On which it is made.

    Returns
    -------
    str
        May be taken, or no safe component yet: `free_name` sees to both.
    """
    template, stem = destination.file.result.name, Path(original).stem
    values = {
        **_say_sizes(result, destination.file.medium.surface),
        "medium": destination.file.medium.surface.value,
        "destination": destination.name,
        "date": day.isoformat(),
        "number": str(number).zfill(_NUMBER_DIGITS),
    }
    while True:
        name = fill_template(template, {**values, "file": stem, "stem": stem})
        if len(name.encode("utf-8", "surrogateescape")) <= _MAX_STEM_BYTES or len(stem) < 2:
            return name
        stem = stem[:-1]


def _say_sizes(result: ResultRecord, surface: Surface) -> Mapping[str, str]:
    """Say how large a result is; what has no size on a medium, in pixels, whatever the unit."""
    sides = result.width_px, result.height_px
    px = f"{sides[0]}x{sides[1]}px"
    ppi = f"{result.ppi:.0f}ppi" if result.ppi else ""
    if not result.ppi or surface is Surface.SCREEN:
        return dict.fromkeys(("size", "size_cm", "size_in", "size_px"), px) | {"ppi": ppi}
    mm = [side / result.ppi * MM_PER_INCH for side in sides]
    return {
        "size": f"{round(mm[0])}x{round(mm[1])}mm",
        "size_cm": "x".join(_say_tenths(each / 10) for each in mm) + "cm",
        "size_in": "x".join(_say_tenths(each / MM_PER_INCH) for each in mm) + "in",
        "size_px": px,
        "ppi": ppi,
    }


def _say_tenths(length: float) -> str:
    return f"{length:.1f}".removesuffix(".0")
