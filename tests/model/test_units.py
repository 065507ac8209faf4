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
        (LengthMm, "8 1/2 in", 215.9),
        (LengthMm, "8-1/2 in", 215.9),
        (LengthMm, "8½ in", 215.9),
        (LengthMm, "3/4 in", 19.05),
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
        (LengthMm, "8 3/2 in", 'as in "60 in"'),
        (LengthMm, "8 1/0 in", 'as in "60 in"'),
        (LengthMm, "81/2 in", 'as in "60 in"'),
        (LengthMm, "8 1/2 cm", 'as in "60 in"'),
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
    ("kind", "value", "example", "said"),
    [
        (Share, 0.0002, "5 %", "0.02 %"),
        (Share, 0.005, "5 %", "0.5 %"),
        (Share, 0.05, "5 %", "5 %"),
        (LengthMm, 0.3, "60 in", "0.3 mm"),
        (DurationS, 90.0, "10 min", "90 s"),
        (ByteCount, 1.5, "2 GiB", "1.5 B"),
    ],
)
def test_what_is_said_of_a_quantity_means_the_same_when_it_is_read(kind, value, example, said):
    assert said == say_quantity(value, example)
    assert value == pytest.approx(TypeAdapter(kind).validate_python(said))
