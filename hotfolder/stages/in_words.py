"""Saying a stage's settings as a person would write them, and only those that are not as usual."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import JsonValue

from hotfolder.model.units import say_quantity
from hotfolder.stages.contract import StageSettings


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
        example = str(field.examples[0]) if field is not None and field.examples else ""
        said.append(f"{key.replace('_', ' ')} {_say(value, example)}")
    return said


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
