"""Names of a batch's results, from a template of the destination's settings.

A field in braces is replaced by what the row says; there are no others, no formats and no way to
reach anything else, so that neither a setting nor a ticket can do more than name a file.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from hotfolder.batch.ticket import Placement
from hotfolder.disk.names import collision_key, result_name, safe_component
from hotfolder.model.name_template import fill_template

_PAGE_DIGITS = 3
_MAX_STEM_BYTES = 100


def make_stem(
    template: str, batch: str, placement: Placement, fixed: Mapping[str, str] | None = None
) -> str:
    """Name a result, without its suffix.

    The numbers of a page get zeros in front, so that names stand in the order of pages; sides are
    in whole millimetres. Always a safe component (`names.safe_component`).

    fixed: what the fields ``medium`` and ``destination`` stand for.

    Examples
    --------
    >>> make_stem("{page}-{placement} {file}", "spring", Placement(2, "a/reeds.tif", "7", "left"))
    '007-left reeds'
    >>> make_stem("{page}-{placement}", "spring", Placement(3, "reeds.tif", "28-29", "1"))
    '028-029-1'
    """
    file = placement.file.rpartition("/")[2].rpartition(".")[0] or placement.file
    values = {
        "medium": "",
        "destination": "",
        **(fixed or {}),
        "batch": batch,
        "page": _fill_page(placement.page),
        "placement": placement.name,
        "file": file,
        "stem": file,
        "row": str(placement.row).zfill(_PAGE_DIGITS),
        "width": _format_side(placement.width_mm),
        "height": _format_side(placement.height_mm),
        "copies": str(placement.copies),
    }
    name = safe_component(fill_template(template, values))
    while len(name.encode()) > _MAX_STEM_BYTES:
        name = name[:-1]
    return name.rstrip(". ")


def sort_page(page: str) -> tuple[tuple[int, int, str], ...]:
    """A key by which pages stand in the order of a book: by number, those in letters first."""
    return tuple(
        (1, int(part), "") if part.isascii() and part.isdigit() else (0, 0, collision_key(part))
        for part in re.split(r"([0-9]+)", page)
        if part
    )


def _fill_page(page: str) -> str:
    """A page with zeros in front of its numbers, if it begins with one."""
    if not page[:1].isascii() or not page[:1].isdigit():
        return page
    return re.sub(r"[0-9]+", lambda found: found[0].zfill(_PAGE_DIGITS), page)


def make_stems(
    template: str,
    batch: str,
    placements: Sequence[Placement],
    fixed: Mapping[str, str] | None = None,
) -> list[str]:
    """Name the results of a ticket; rows that ask for the same name get it in their order.

    Examples
    --------
    >>> rows = [Placement(2, "reeds.tif", "7", "1"), Placement(3, "reeds.tif", "8", "1")]
    >>> make_stems("{file}", "spring", rows)
    ['reeds', 'reeds-2']
    """
    wanted = [make_stem(template, batch, each, fixed) for each in placements]
    keys = {collision_key(stem) for stem in wanted}
    taken: set[str] = set()
    found = []
    for stem in wanted:
        name, number = stem, 1
        while collision_key(name) in taken or (number > 1 and collision_key(name) in keys):
            number += 1
            name = result_name(stem, "", number)
        taken.add(collision_key(name))
        found.append(name)
    return found


def _format_side(side_mm: float | None) -> str:
    return "" if side_mm is None else f"{side_mm:.0f}"
