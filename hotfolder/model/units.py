"""Quantities as people write them in settings: ``"60 in"``, ``"2 m"``, ``"5 %"``, ``"62 GBP"``.

Each type parses text with a unit into one plain number in one unit, so that no code after the
settings ever asks which unit a number has. A bare number is an error that names the units.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from typing import Annotated

from pydantic import BeforeValidator, Field

MM_PER_INCH = 25.4
"""Exact since the international yard and pound agreement of 1959."""

LENGTH_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH, "ft": 12 * MM_PER_INCH}
"""Units of length, in millimetres."""

_DURATION_S = {"ms": 0.001, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
_AGE_S = {"d": 86400.0, "year": 365 * 86400.0, "years": 365 * 86400.0}
_SIZE_BYTES = {"B": 1, "KiB": 2**10, "MiB": 2**20, "GiB": 2**30, "kB": 1e3, "MB": 1e6, "GB": 1e9}
_SHARE = {"%": 0.01}
_ILLUMINANCE_LX = {"lx": 1.0}
_COLOUR_OF_LIGHT_K = {"K": 1.0}
_LUMINANCE = {"cd/m2": 1.0, "cd/m²": 1.0}
_UNITS = (
    LENGTH_MM,
    _DURATION_S,
    _AGE_S,
    _SIZE_BYTES,
    _SHARE,
    _ILLUMINANCE_LX,
    _COLOUR_OF_LIGHT_K,
    _LUMINANCE,
)

_FRACTION = re.compile(r"\s*(?:(\d+)(?: *-| ) *)?(\d{1,2})/(\d{1,2})\s*in\s*")
"""Inches as people write them: 8 1/2."""
_QUANTITY = re.compile(r"\s*([+-]?\d+(?:[.,]\d+)?)\s*(\S+)\s*")


@dataclass(frozen=True)
class Money:
    """An amount and its currency."""

    amount: float
    """In units of the currency."""

    currency: str
    """An ISO 4217 code."""

    def __str__(self) -> str:
        return f"{self.amount:.2f} {self.currency}"


def parse_quantity(text: object, units: dict[str, float], example: str) -> float:
    """Read ``"<number> <unit>"`` and return the number in the unit whose factor is 1.

    Parameters
    ----------
    text
        What a person wrote.
    units
        Each unit, and what one of it is in the unit whose factor is 1.
    example
        A right one, for the message.

    Returns
    -------
    The number in the unit whose factor is 1.

    Raises
    ------
    ValueError
        When `text` is not a text, has no known unit, or is negative.
    """
    which = f"one of {', '.join(units)}" if len(units) > 1 else "".join(units)
    allowed = f'a number and {which}, as in "{example}"'
    inches = _FRACTION.fullmatch(_set_fractions_apart(text)) if isinstance(text, str) else None
    if inches and "in" in units:
        whole, above, below = (int(each or 0) for each in inches.groups())
        if not 0 < above < below:
            raise ValueError(allowed)
        return (whole + above / below) * units["in"]
    match = _QUANTITY.fullmatch(text) if isinstance(text, str) else None
    if match is None or match[2] not in units:
        raise ValueError(allowed)
    value = float(match[1].replace(",", ".")) * units[match[2]]
    if value < 0:
        raise ValueError(f"{allowed}, not negative")
    return value


def _set_fractions_apart(text: str) -> str:
    """Write ½ and its like as 1/2; normalized beside its 8, it would read 81/2."""
    apart = (
        f" {each}" if unicodedata.decomposition(each).startswith("<fraction>") else each
        for each in text
    )
    return unicodedata.normalize("NFKC", "".join(apart)).replace("\N{FRACTION SLASH}", "/")


def _make_validator(units: dict[str, float], example: str) -> BeforeValidator:
    def read(value: object) -> float:
        return parse_quantity(value, units, example)

    return BeforeValidator(read, json_schema_input_type=str)


def say_quantity(value: float, example: str) -> str:
    """Write a parsed number as a person would write it, in the largest unit that keeps it whole.

    Parameters
    ----------
    value
        A number as `parse_quantity` returns it.
    example
        A quantity of the same kind, as in ``"10 min"``, by which the units are known.

    Examples
    --------
    >>> say_quantity(1800.0, "10 min"), say_quantity(0.001, "5 %")
    ('30 min', '0.1 %')
    """
    unit = example.rpartition(" ")[2]
    (units,) = (each for each in _UNITS if unit in each)
    whole = [
        (factor, name)
        for name, factor in units.items()
        if value and math.isclose(value / factor, round(value / factor), abs_tol=1e-9)
    ]
    usual = min(units, key=lambda each: abs(units[each] - 1))
    factor, name = max(whole, default=(units[usual], usual))
    return f"{value / factor:g} {name}"


def say_share(share: float, digits: int = 3) -> str:
    """Write a share as people do: "12.3 %", and never as a power of ten or as nothing.

    Parameters
    ----------
    share
        0 … 1.
    digits
        How many of them count.

    Returns
    -------
    The share in percent, with its sign.

    Examples
    --------
    >>> say_share(0.1234), say_share(0), say_share(2.4e-7), say_share(0.001), say_share(1)
    ('12.3 %', '0 %', 'less than 0.001 %', '0.1 %', '100 %')
    """
    if 0 < share < 1e-5:
        return "less than 0.001 %"
    percent = 100 * share
    return f"{percent:.0f} %" if percent >= 10 ** (digits - 1) else f"{percent:.{digits}g} %"


def _read_money(value: object) -> Money:
    if isinstance(value, Money):
        return value
    match = _QUANTITY.fullmatch(value) if isinstance(value, str) else None
    if match is None or not re.fullmatch("[A-Z]{3}", match[2]):
        raise ValueError('an amount and a currency of ISO 4217, as in "62 GBP"')
    return Money(float(match[1].replace(",", ".")), match[2])


LengthMm = Annotated[float, _make_validator(LENGTH_MM, "60 in"), Field(examples=["60 in"])]
"""A length or distance; in millimetres after parsing."""

DurationS = Annotated[float, _make_validator(_DURATION_S, "10 min"), Field(examples=["10 min"])]
"""A span of time; in seconds after parsing."""

AgeS = Annotated[float, _make_validator(_AGE_S, "2 years"), Field(examples=["2 years"])]
"""How old something is; in seconds after parsing. A year has 365 days."""

ByteCount = Annotated[float, _make_validator(_SIZE_BYTES, "2 GiB"), Field(examples=["2 GiB"])]
"""An amount of memory or disk; in bytes after parsing."""

Share = Annotated[float, _make_validator(_SHARE, "5 %"), Field(examples=["5 %"])]
"""A share; 0 … 1 after parsing."""

IlluminanceLx = Annotated[
    float, _make_validator(_ILLUMINANCE_LX, "300 lx"), Field(examples=["300 lx"])
]
"""How much light falls on something; in lux after parsing."""

ColourOfLightK = Annotated[
    float, _make_validator(_COLOUR_OF_LIGHT_K, "2700 K"), Field(examples=["2700 K"])
]
"""The (correlated) colour temperature of a light; in kelvin after parsing."""

Luminance = Annotated[
    float, _make_validator(_LUMINANCE, "120 cd/m2"), Field(examples=["120 cd/m2"])
]
"""How bright a white is; in candela per square metre after parsing."""

MoneyAmount = Annotated[
    Money,
    BeforeValidator(_read_money, json_schema_input_type=str),
    Field(examples=["62 GBP"]),
]
"""An amount of money with its currency."""
