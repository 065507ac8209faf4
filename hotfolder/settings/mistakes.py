"""What is wrong with a setting, in a settings author's words: what was found, what is allowed."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Final

from pydantic import BaseModel

from hotfolder.errors import Problem
from hotfolder.model.field_texts import read_field_texts

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

_RENAMED: Final = {"keep_dropped": "keep_discarded"}
"""Keys of earlier versions, and what they are called now."""

_MOST_SHOWN = 60

_ALLOWED: Final[Mapping[str, str]] = {
    "int_type": "a whole number, without quotes",
    "int_parsing": "a whole number, without quotes",
    "int_from_float": "a whole number",
    "int_parsing_size": "a smaller whole number",
    "float_type": "a number, without quotes",
    "float_parsing": "a number, without quotes",
    "finite_number": "a number",
    "bool_type": "true or false, without quotes",
    "bool_parsing": "true or false, without quotes",
    "string_type": 'a text in quotes, as in "…"',
    "string_too_short": "a text that is not empty",
    "tuple_type": 'a list in brackets, as in ["…", "…"]',
    "list_type": 'a list in brackets, as in ["…", "…"]',
    "dict_type": "a table, whose name stands in brackets",
    "model_type": "a table, whose name stands in brackets",
    "model_attributes_type": "a table, whose name stands in brackets",
    "string_pattern_mismatch": "another form",
}
_LIMITS: Final[Mapping[str, tuple[str, str]]] = {
    "greater_than": ("gt", "more than {}"),
    "greater_than_equal": ("ge", "{} or more"),
    "less_than": ("lt", "less than {}"),
    "less_than_equal": ("le", "{} or less"),
    "multiple_of": ("multiple_of", "a multiple of {}"),
}


def find_like(word: str, known: Iterable[str]) -> str:
    """Return the known word that resembles one most; "" when none does.

    Examples
    --------
    >>> find_like("neutral_chek", ["gamut-check", "neutral-check"])
    'neutral-check'
    """
    folded = {each.casefold(): each for each in known}
    close = difflib.get_close_matches(word.casefold(), list(folded), 1, cutoff=0.6)
    close = close or [each for each in folded if len(word) > 3 and each.startswith(word.casefold())]
    return folded[close[0]] if close else ""


def describe(
    detail: ErrorDetails, model: type[BaseModel], file: str, prefix: tuple[str, ...] = ()
) -> Problem:
    """Describe one of the faults that a model finds.

    Parameters
    ----------
    detail
        As ``ValidationError.errors`` lists them.
    model
        The model of the table that was looked at.
    file
        Where it stands.
    prefix
        The table's name, by its parts.
    """
    # what stands in a list is counted from 1, as people do
    parts = (str(part + 1) if isinstance(part, int) else part for part in detail["loc"])
    key = ".".join((*prefix, *parts))
    got, kind = show(detail["input"]) if detail["loc"] else "", detail["type"]
    if kind == "missing":
        return Problem(file, key, "is missing", _say_example(model, detail["loc"]))
    if kind == "extra_forbidden":
        name = str(detail["loc"][-1])
        if name in _RENAMED:
            return Problem(file, key, got, f"this key is now called {_RENAMED[name]}")
        there = _fields_at(model, detail["loc"][:-1])
        listed = ", ".join(there) or "no settings at all"
        return Problem(file, key, "does not exist", listed, meant=find_like(name, there))
    return Problem(file, key, got, _say_allowed(detail))


def show(value: object) -> str:
    """Write a value as it stands in the file, shortened."""
    if isinstance(value, Mapping):
        return "a table"
    try:
        text = json.dumps(value, ensure_ascii=False)
    except (TypeError, ValueError):
        text = str(value)
    return text if len(text) <= _MOST_SHOWN else f"{text[:_MOST_SHOWN]}…"


def _say_allowed(detail: ErrorDetails) -> str:
    kind, context = detail["type"], detail.get("ctx", {})
    if kind == "value_error":
        return str(context["error"])
    if kind in {"literal_error", "enum"}:
        return str(context["expected"]).replace("'", '"')
    if kind in _LIMITS:
        name, words = _LIMITS[kind]
        return words.format(f"{context[name]:g}")
    if kind in {"too_short", "too_long"}:
        number = context.get("min_length", context.get("max_length"))
        return f"a list of at {'least' if kind == 'too_short' else 'most'} {number}"
    return _ALLOWED.get(kind, "another value; config/SETTINGS.md describes it")


def _say_example(model: type[BaseModel], loc: tuple[int | str, ...]) -> str:
    """What a missing key is for, by the first sentence of its description."""
    table, key = _model_at(model, loc[:-1]), str(loc[-1])
    described = table.model_fields[key].description if table else None
    written = read_field_texts(table).get(key) if table else None
    return " ".join((described or written or "a value").split())


def _model_at(model: type[BaseModel], loc: tuple[int | str, ...]) -> type[BaseModel] | None:
    """The model of a table below another one."""
    for part in loc:
        field = model.model_fields.get(str(part))
        of = field.annotation if field else None
        inner = [of, *getattr(of, "__args__", ())]
        found = [each for each in inner if isinstance(each, type) and issubclass(each, BaseModel)]
        if not found:
            return None
        model = found[0]
    return model


def _fields_at(model: type[BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    found = _model_at(model, loc)
    return list(found.model_fields) if found else []
