"""Names of results from a template and a row."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from hotfolder.batch.naming import make_stem, sort_page
from hotfolder.batch.ticket import Placement
from hotfolder.disk.names import safe_component
from hotfolder.model.name_template import NameTemplate

TEMPLATE = TypeAdapter(NameTemplate)
ROW = Placement(14, "spring/low water.tif", "7", "left", 210.0, 297.5, 3)


@pytest.mark.parametrize(
    ("template", "expected"),
    [
        ("{page}-{placement}", "007-left"),
        ("{batch} p{page} {placement}", "estuary p007 left"),
        ("{row} {file}", "014 low water"),
        ("{page}-{placement} {width}x{height} x{copies}", "007-left 210x298 x3"),
    ],
)
def test_fields_are_replaced(template, expected):
    assert expected == make_stem(TEMPLATE.validate_python(template), "estuary", ROW)


@pytest.mark.parametrize(
    "template",
    ["{page}", "fixed", "{page}-{placement}-{job.id}", "{page!r}{placement}",
     "{page:>9}{placement}", "{page}{placement}{", "{0}", "{page}{placement}{}"],
)  # fmt: skip
def test_other_fields_and_names_that_would_be_shared_are_refused(template):
    with pytest.raises(ValidationError):
        TEMPLATE.validate_python(template)


@given(st.text(max_size=40), st.text(max_size=40), st.text(max_size=80))
def test_whatever_a_row_says_the_name_is_one_safe_component(page, name, file):
    made = make_stem("{page}-{placement} {file}", "b", Placement(2, file, page, name))
    assert "/" not in made
    assert made
    assert safe_component(f"{made}.tif") == f"{made}.tif"


def test_a_row_cannot_bring_a_field_of_its_own():
    assert "{row}-1" == make_stem("{page}-{placement}", "b", Placement(2, "x.tif", "{row}", "1"))


def test_pages_stand_in_the_order_of_a_book_in_names_and_lists():
    pages = ["iv", "1", "2a", "9", "28-29", "31", "101"]
    mixed = ["101", "31", "9", "28-29", "iv", "2a", "1"]
    assert pages == sorted(mixed, key=sort_page)
    stems = [
        make_stem("{page}-{placement}", "b", Placement(2, "x.tif", each, "1")) for each in pages
    ]
    assert stems[1:] == sorted(stems[1:])
