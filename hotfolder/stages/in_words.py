"""Saying a stage's settings as a person would write them, and only those that are not as usual."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import get_args

from pydantic import JsonValue
from pydantic.fields import FieldInfo

from hotfolder.model.units import MM_PER_INCH, say_quantity
from hotfolder.stages.contract import StageSettings

_IN_MM = re.compile(r"(\d+(?:\.\d+)?) mm")


def describe_settings(
    model: type[StageSettings] | None, settings: Mapping[str, JsonValue]
) -> list[str]:
    """Say which settings of a stage are not what they are when nobody sets them.

    Parameters
    ----------
    model
        The stage's settings; None for a stage that is not there any more: then all are said.
    settings
        As a record has them: lengths in millimetres, times in seconds.

    Returns
    -------
    One text each, as ``"long edge 60 in"``.
    """
    said = []
    fields = model.model_fields if model else {}
    for key, value in settings.items():
        field = fields.get(key)
        if value is None or value in ({}, [], ""):
            continue
        usual = field.get_default(call_default_factory=True) if field else None
        if field is not None and not field.is_required() and value == usual:
            continue
        if isinstance(value, str) and (found := _IN_MM.fullmatch(value)):
            if length := _say_length(float(found[1])):
                said.append(f"{key.replace('_', ' ')} {length}")
            continue
        example = _find_example(field) if field is not None else ""
        if example and value == 0 and usual is None:
            continue  # nothing of it, as when it is not set
        said.append(f"{key.replace('_', ' ')} {_say(value, example)}")
    return said


def _say_length(length_mm: float) -> str:
    """Say a length in inches where they are whole; "" for none."""
    inches = length_mm / MM_PER_INCH
    if math.isclose(inches, round(inches), abs_tol=1e-6):
        return f"{round(inches)} in" if round(inches) else ""
    return f"{length_mm:g} mm"


def _find_example(field: FieldInfo) -> str:
    """A value of the same kind as a person writes it, by which the unit is known; "" for none."""
    found = list(field.examples or ())
    for each in get_args(field.annotation):  # of what may be there or not
        for about in getattr(each, "__metadata__", ()):
            found += getattr(about, "examples", None) or ()
    return str(found[0]) if found else ""


def _say(value: JsonValue, example: str) -> str:
    match value:
        case bool():
            return "yes" if value else "no"
        case int() | float():
            return say_quantity(value, example) if " " in example else f"{value:g}"
        case list():
            return ", ".join(_say(each, example) for each in value)
        case dict():
            return ", ".join(
                f"{key.replace('_', ' ')} {_say(each, example)}"
                for key, each in value.items()
                if each is not None
            )
        case _:
            return str(value)
