"""Templates of results' names, as in ``"{page}-{placement}"``.

A field in braces is replaced by what a ticket's row says; there are no others, no formats and no
way to reach anything else, so that neither a setting nor a ticket can do more than name a file.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated

from pydantic import AfterValidator

FIELDS = ("batch", "page", "placement", "file", "row", "width", "height", "copies")
_FIELD = re.compile(r"\{([^{}]*)\}")


def _check(template: str) -> str:
    named = _FIELD.findall(template)
    allowed = ", ".join(f"{{{field}}}" for field in FIELDS)
    if any(each not in FIELDS for each in named) or re.search(r"[{}]", _FIELD.sub("", template)):
        raise ValueError(f"these fields only: {allowed}")
    if not {"page", "placement"} <= set(named) and "row" not in named:
        raise ValueError(
            "both {page} and {placement}, or {row}: otherwise two results share a name"
        )
    return template


RESULT_FIELDS = ("file", "size", "medium", "destination")


def _check_result(template: str) -> str:
    named = _FIELD.findall(template)
    allowed = ", ".join(f"{{{field}}}" for field in RESULT_FIELDS)
    if any(each not in RESULT_FIELDS for each in named) or re.search(
        r"[{}]", _FIELD.sub("", template)
    ):
        raise ValueError(f"these fields only: {allowed}")
    if "file" not in named:
        raise ValueError("{file} among others: otherwise all results share a name")
    return template


ResultNameTemplate = Annotated[str, AfterValidator(_check_result)]
"""The template of the names of single results, as in ``"{file} {size} {medium}"``."""

NameTemplate = Annotated[str, AfterValidator(_check)]
"""The template of results' names, as in ``"{page}-{placement}"``."""


def fill_template(template: str, values: Mapping[str, str]) -> str:
    """Replace each field of a template by its value, which may not lead into another folder."""
    return _FIELD.sub(lambda field: values[field[1]].replace("/", "_"), template)
