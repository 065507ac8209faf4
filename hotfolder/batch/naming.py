"""Names of a batch's results, from a template of the destination's settings.

A field in braces is replaced by what the row says; there are no others, no formats and no way to
reach anything else, so that neither a setting nor a ticket can do more than name a file.
"""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator

from hotfolder.batch.ticket import Placement
from hotfolder.disk.names import safe_component

FIELDS = ("batch", "page", "placement", "file", "row", "width", "height", "copies")
_FIELD = re.compile(r"\{([^{}]*)\}")
_PAGE_DIGITS = 3
_MAX_STEM_BYTES = 100


def _check(template: str) -> str:
    named = _FIELD.findall(template)
    allowed = ", ".join(f"{{{field}}}" for field in FIELDS)
    if any(each not in FIELDS for each in named) or re.search(r"[{}]", _FIELD.sub("", template)):
        raise ValueError(f"these fields only: {allowed}")
    if not {"page", "placement"} <= set(named) and "row" not in named:
        raise ValueError("both {page} and {placement}, or {row}: else two results share a name")
    return template


NameTemplate = Annotated[str, AfterValidator(_check)]
"""The template of results' names, as in ``"{page}-{placement}"``."""


def stem(template: str, batch: str, placement: Placement) -> str:
    """Name a result, without its suffix.

    A page that is a number gets zeros in front, so that names stand in the order of pages; sides
    are in whole millimetres. Always a safe component (`names.safe_component`).

    Examples
    --------
    >>> stem("{page}-{placement} {file}", "spring", Placement(2, "a/reeds.tif", "7", "left"))
    '007-left reeds'
    """
    page = placement.page
    values = {
        "batch": batch,
        "page": page.zfill(_PAGE_DIGITS) if page.isascii() and page.isdigit() else page,
        "placement": placement.name,
        "file": placement.file.rpartition("/")[2].rpartition(".")[0] or placement.file,
        "row": str(placement.row).zfill(_PAGE_DIGITS),
        "width": _side(placement.width_mm),
        "height": _side(placement.height_mm),
        "copies": str(placement.copies),
    }
    made = _FIELD.sub(lambda field: values[field[1]].replace("/", "_"), template)
    name = safe_component(made)
    while len(name.encode()) > _MAX_STEM_BYTES:
        name = name[:-1]
    return name.rstrip(". ")


def _side(side_mm: float | None) -> str:
    return "" if side_mm is None else f"{side_mm:.0f}"
