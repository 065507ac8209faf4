"""Names of a batch's results, from a template of the destination's settings.

A field in braces is replaced by what the row says; there are no others, no formats and no way to
reach anything else, so that neither a setting nor a ticket can do more than name a file.
"""

from __future__ import annotations

from hotfolder.batch.ticket import Placement
from hotfolder.disk.names import safe_component
from hotfolder.model.name_template import fill_template

_PAGE_DIGITS = 3
_MAX_STEM_BYTES = 100


def make_stem(template: str, batch: str, placement: Placement) -> str:
    """Name a result, without its suffix.

    A page that is a number gets zeros in front, so that names stand in the order of pages; sides
    are in whole millimetres. Always a safe component (`names.safe_component`).

    Examples
    --------
    >>> make_stem("{page}-{placement} {file}", "spring", Placement(2, "a/reeds.tif", "7", "left"))
    '007-left reeds'
    """
    page = placement.page
    values = {
        "batch": batch,
        "page": page.zfill(_PAGE_DIGITS) if page.isascii() and page.isdigit() else page,
        "placement": placement.name,
        "file": placement.file.rpartition("/")[2].rpartition(".")[0] or placement.file,
        "row": str(placement.row).zfill(_PAGE_DIGITS),
        "width": _format_side(placement.width_mm),
        "height": _format_side(placement.height_mm),
        "copies": str(placement.copies),
    }
    name = safe_component(fill_template(template, values))
    while len(name.encode()) > _MAX_STEM_BYTES:
        name = name[:-1]
    return name.rstrip(". ")


def _format_side(side_mm: float | None) -> str:
    return "" if side_mm is None else f"{side_mm:.0f}"
