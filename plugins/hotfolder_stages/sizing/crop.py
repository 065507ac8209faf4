"""What is cut off a picture so that it fills its size, in words and in shares of its sides."""

from __future__ import annotations

from typing import Final

from hotfolder import MM_PER_INCH, Area, RasterSpec, Remedy, say_share
from hotfolder_stages.sizing.geometry import Plan
from hotfolder_stages.sizing.request import Request, SizingSettings

WORTH_SHOWING: Final = 0.001
"""Share of the area from which a crop is shown: less is the rounding to whole pixels."""


def find_kept(front: Plan) -> Area:
    """What is kept, in shares of the whole picture's width and height."""
    return Area(
        front.crop_left_px / front.scaled_width_px,
        front.crop_top_px / front.scaled_height_px,
        front.kept_width_px / front.scaled_width_px,
        front.kept_height_px / front.scaled_height_px,
    )


def say_crop(made: Request, source: RasterSpec, limit: float, anchor: str) -> str:
    """Say why a picture is held, as a sentence that is true of it."""
    kept = find_kept(made.front)
    sides = {
        "left": kept.left_px,
        "right": 1 - kept.left_px - kept.width_px,
        "top": kept.top_px,
        "bottom": 1 - kept.top_px - kept.height_px,
    }
    where = ", ".join(
        f"{say_share(share)} of its {'width' if side in {'left', 'right'} else 'height'} at the "
        f"{side}"
        for side, share in sides.items()
        if share > WORTH_SHOWING / 10
    )
    return (
        f"{say_share(made.cropped_share)} of the picture is cut off to fill {_say_size(made)}: "
        f"{where}. Its shape is {source.width_px} × {source.height_px} px, and the part at "
        f"{anchor} stays. Limit {say_share(limit)}."
    )


def find_ways_on(settings: SizingSettings) -> list[Remedy]:
    """Changes by which the whole picture is kept."""
    if settings.mode != "cover":
        return []  # it is the bleed that needs more than there is
    return [
        Remedy("keep the whole picture, with a border that fills the size", {"mode": "exact"}),
        Remedy("keep the whole picture, as large as fits", {"mode": "inside"}),
    ]


def _say_size(made: Request) -> str:
    width, height = made.trim_px
    if not made.ppi:
        return f"{width} × {height} px"
    return f"{width / made.ppi * MM_PER_INCH:.0f} × {height / made.ppi * MM_PER_INCH:.0f} mm"
