"""Templates of results' names, as in ``"{page}-{placement}"`` and ``"{stem} {size} {medium}"``.

A field in braces is replaced by what is known of the result; there are no others, no formats and no
way to reach anything else, so that neither a setting nor a ticket can do more than name a file.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from typing import Annotated

from pydantic import AfterValidator

FIELDS = (
    "batch", "page", "placement", "file", "stem", "row", "width", "height", "copies", "medium",
    "destination",
)  # fmt: skip
"""Of a ticket's rows."""

RESULT_FIELDS = (
    "file", "stem", "size", "size_cm", "size_in", "size_px", "ppi", "medium", "destination", "date",
    "number",
)  # fmt: skip
"""Of single pictures."""

_FIELD = re.compile(r"\{([^{}]*)\}")


def _find_fields(template: str, allowed: Collection[str]) -> set[str]:
    """Return the fields that a template names.

    Raises
    ------
    ValueError
        When it names others, or has a brace too many.
    """
    named = set(_FIELD.findall(template))
    if named - set(allowed) or re.search(r"[{}]", _FIELD.sub("", template)):
        raise ValueError(f"these fields only: {', '.join(f'{{{each}}}' for each in allowed)}")
    return named


def _check(template: str) -> str:
    named = _find_fields(template, FIELDS)
    if not {"page", "placement"} <= named and "row" not in named:
        raise ValueError(
            "both {page} and {placement}, or {row}: otherwise two results share a name"
        )
    return template


def _check_result(template: str) -> str:
    if not _find_fields(template, RESULT_FIELDS) & {"file", "stem", "number"}:
        raise ValueError("{file} or {number} among others: otherwise all results share a name")
    return template


ResultNameTemplate = Annotated[str, AfterValidator(_check_result)]
"""The template of the names of single results, as in ``"{file} {size} {medium}"``."""

NameTemplate = Annotated[str, AfterValidator(_check)]
"""The template of results' names, as in ``"{page}-{placement}"``."""


def fill_template(template: str, values: Mapping[str, str]) -> str:
    """Replace each field of a template by its value, which may not lead into another folder."""
    return _FIELD.sub(lambda field: values[field[1]].replace("/", "_"), template)
