"""Quantities: text with a unit becomes one number in one unit, and nothing else does."""

import pytest
from pydantic import TypeAdapter, ValidationError

from hotfolder.model.units import (
    ByteCount,
    DurationS,
    LengthMm,
    Money,
    MoneyAmount,
    Share,
    say_quantity,
)


@pytest.mark.parametrize(
    ("kind", "text", "expected"),
    [
        (LengthMm, "60 in", 1524.0),  # 1 in = 25.4 mm exactly, agreement of 1959
        (LengthMm, "2 m", 2000.0),
        (LengthMm, "2,5 cm", 25.0),
        (LengthMm, "1 ft", 304.8),
        (DurationS, "10 min", 600.0),
        (ByteCount, "2 GiB", 2147483648.0),
        (Share, "5 %", 0.05),
        (MoneyAmount, "62 GBP", Money(62.0, "GBP")),
    ],
)
def test_text_with_a_unit_is_read(kind, text, expected):
    read = TypeAdapter(kind).validate_python(text)
    assert expected == (pytest.approx(read) if isinstance(read, float) else read)


@pytest.mark.parametrize(
    ("kind", "value", "said"),
    [
        (LengthMm, 60, 'a number and one of mm, cm, m, in, ft, as in "60 in"'),
        (LengthMm, "60", 'as in "60 in"'),
        (LengthMm, "60 px", "one of mm, cm, m, in, ft"),
        (LengthMm, "-1 mm", "not negative"),
        (Share, "0.05", 'a number and %, as in "5 %"'),
        (MoneyAmount, "62 pounds", 'a currency of ISO 4217, as in "62 GBP"'),
        (DurationS, "nan s", "a number"),
    ],
)
def test_anything_else_is_refused_and_the_message_says_what_is_allowed(kind, value, said):
    with pytest.raises(ValidationError) as error:
        TypeAdapter(kind).validate_python(value)
    assert said in str(error.value)


@pytest.mark.parametrize(
    ("units", "said"),
    [
        (Share, "0.1 %"),
        (Share, "12.34 %"),
        (Share, "5 %"),
        (Share, "0.02 %"),
        (DurationS, "90 min"),
        (LengthMm, "0.4 mm"),
    ],
)
def test_a_quantity_is_said_as_it_was_written(units, said):
    assert say_quantity(TypeAdapter(units).validate_python(said), said) == said
