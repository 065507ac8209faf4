"""Every setting there is, as a page: written from the models, so that it cannot be out of date.

::

    python -m hotfolder.settings.reference > config/SETTINGS.md
"""

from __future__ import annotations

import inspect
import sys
from collections.abc import Iterator, Mapping

from pydantic import JsonValue
from pydantic.fields import FieldInfo

from hotfolder.model.destination import Medium, Reading, Result, SettingsModel, Viewing
from hotfolder.model.field_texts import read_field_texts
from hotfolder.model.units import Money, say_quantity
from hotfolder.settings.engine import EngineTable
from hotfolder.settings.notify import MailTable, NotifyTable, WebhookTable
from hotfolder.settings.tables import (
    DeskTable,
    DestinationFile,
    Folders,
    Intake,
    Keep,
    Limits,
    RootFile,
    TicketTable,
)
from hotfolder.stages.registry import Registry, load_registry

_HEAD = """# Every setting

Written from the program's own models by `python -m hotfolder.settings.reference`; do not edit.

A size, a distance, a time or a share carries its unit: `"60 in"`, `"40 mm"`, `"10 min"`, `"5 %"`,
`"4 GiB"`. `hotfolder check` names every setting that is wrong and says what is allowed.
"""

_TABLES: Mapping[str, type[SettingsModel]] = {
    "[medium]": Medium,
    "[medium.viewing] or [viewing]": Viewing,
    "[reading]": Reading,
    "[result]": Result,
    "[limits]": Limits,
    "[ticket]": TicketTable,
    "[folders]": Folders,
    "[intake]": Intake,
    "[keep]": Keep,
    "[desk]": DeskTable,
    "[engine]": EngineTable,
    "[notify]": NotifyTable,
    "[notify.mail]": MailTable,
    "[notify.webhook]": WebhookTable,
}


def write_reference(registry: Registry) -> str:
    """Return the page, in Markdown.

    Parameters
    ----------
    registry
        The stages whose settings are to be on it.
    """
    parts = [
        _HEAD,
        *_section("hotfolder.toml", RootFile),
        "`[intake]`, `[keep]`, `[desk]`, `[engine]`, `[notify]`, `[viewing]`: the tables below.\n",
        *_section("destinations/NAME.toml", DestinationFile, leave_out=tuple(_own_tables())),
    ]
    for title, model in _TABLES.items():
        parts += _section(f"`{title}`", model)
    for name, stage in registry.stages.items():
        parts += _section(f"`[stage.{name}]`", stage.Settings, about=stage.__doc__)
    return "\n".join(parts).replace("``", "`")


def _own_tables() -> Iterator[str]:
    yield "stage"
    for title in _TABLES:
        yield title.strip("[]")


def _section(
    title: str,
    model: type[SettingsModel],
    *,
    about: str | None = None,
    leave_out: tuple[str, ...] = (),
) -> list[str]:
    first = inspect.cleandoc(about or model.__doc__ or "").partition("\n")[0]
    fields = {name: each for name, each in model.model_fields.items() if name not in leave_out}
    lines = [f"## {title}", "", first, ""]
    if not fields:
        return [*lines, "This stage has no settings.", ""]
    schema = model.model_json_schema(mode="validation")
    texts = read_field_texts(model)
    properties, named = schema.get("properties", {}), schema.get("$defs", {})
    lines += ["| setting | meaning | values | default |", "|---|---|---|---|"]
    for name, each in fields.items():
        about_it = " ".join((each.description or texts.get(name, "")).split())
        cells = (f"`{name}`", about_it, _values(properties[name], named), _default(each))
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return [*lines, ""]


def _values(schema: dict[str, JsonValue], named: Mapping[str, dict[str, JsonValue]]) -> str:
    """Say what a setting may be, from its JSON Schema and those that it refers to by name."""
    reference = schema.get("$ref")
    if isinstance(reference, str):
        return _values(named[reference.rpartition("/")[2]], named)
    examples = schema.get("examples")
    options = schema.get("anyOf")
    if isinstance(options, list):
        said = [_values(each, named) for each in options if isinstance(each, dict)]
        return "; ".join(dict.fromkeys(each for each in said if each))
    if isinstance(examples, list):
        return f'as in `"{examples[0]}"`'
    allowed = schema.get("enum", [schema["const"]] if "const" in schema else None)
    if isinstance(allowed, list):
        return ", ".join(f"`{_toml(each)}`" for each in allowed)
    match schema.get("type"):
        case "boolean":
            return "`true`, `false`"
        case "integer" | "number":
            return _range(schema) or "a number"
        case "string":
            return "a text"
        case "array":
            return "a list"
        case _:
            return ""


def _range(schema: dict[str, JsonValue]) -> str:
    least = schema.get("minimum", schema.get("exclusiveMinimum"))
    most = schema.get("maximum", schema.get("exclusiveMaximum"))
    if least is None or most is None:
        return "" if least is None else f"from {least:g}"
    above = "above " if "exclusiveMinimum" in schema else ""
    return f"{above}{least:g} … {most:g}"


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    value = field.get_default(call_default_factory=True)
    if value is None or value in ({}, "") or isinstance(value, SettingsModel):
        return ""
    examples = field.examples or []
    if examples and isinstance(value, int | float):
        return f'`"{say_quantity(value, str(examples[0]))}"`'
    if isinstance(value, Money):
        return f'`"{value}"`'
    return f"`{_toml(value)}`" if isinstance(value, str | int | float | bool) else ""


def _toml(value: JsonValue) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else f"{value:g}" if value is not None else ""


if __name__ == "__main__":
    sys.stdout.write(write_reference(load_registry()))
