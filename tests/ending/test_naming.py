"""What results of single pictures are called."""

from __future__ import annotations

from datetime import date

import pytest
from pydantic import TypeAdapter, ValidationError

from hotfolder.disk.names import result_name, safe_component
from hotfolder.ending.naming import name_result
from hotfolder.model.destination import Medium, Result
from hotfolder.model.name_template import RESULT_FIELDS, ResultNameTemplate
from hotfolder.model.records import ResultRecord
from hotfolder.settings.files import Destination
from hotfolder.settings.tables import DestinationFile, Intake
from hotfolder.testing import srgb

TEMPLATE = TypeAdapter(ResultNameTemplate)
DAY = date(2026, 3, 9)


def destination(template: str, surface: str = "canvas") -> Destination:
    medium = Medium.model_validate(
        {"profile": "x.icc", "surface": surface, "viewing_distance": "1 m"}
    )
    file = DestinationFile(stages=("tagging",), medium=medium, result=Result(name=template))
    return Destination("wall", file, {}, {}, srgb(), Intake())


def result(ppi: float = 100.0) -> ResultRecord:
    return ResultRecord(
        path="result.tif", sha256="0" * 64, bytes=1, format="tiff", width_px=315, height_px=210,
        bits=16, colour_space="RGB", ppi=ppi, notes=(), profile=None,
    )  # fmt: skip


def named(template: str, surface: str = "canvas", original: str = "reeds.tif", **more) -> str:
    return name_result(original, destination(template, surface), result(**more), 7, DAY)


@pytest.mark.parametrize(
    ("template", "expected"),
    [
        ("{stem} {size} {medium}", "reeds 80x53mm canvas"),
        ("{file} {size_cm}", "reeds 8x5.3cm"),
        ("{file} {size_in}", "reeds 3.1x2.1in"),
        ("{file} {size_px} {ppi}", "reeds 315x210px 100ppi"),
        ("{date} {number} {destination}", "2026-03-09 0007 wall"),
    ],
)
def test_each_field_says_what_the_settings_promise(template, expected):
    assert expected == named(template)


@pytest.mark.parametrize(
    ("surface", "ppi"), [("screen", 72.0), ("canvas", 0.0)], ids=["screen", "no-ppi"]
)
def test_what_has_no_size_on_a_medium_is_named_in_pixels_in_every_unit(surface, ppi):
    for field in ("size", "size_cm", "size_in", "size_px"):
        assert "reeds 315x210px" == named(f"{{file}} {{{field}}}", surface, ppi=ppi)


def test_by_default_no_result_has_the_masters_name():
    assert "reeds" not in {named(Result().name), named(Result().name, "screen", ppi=0.0)}


@pytest.mark.parametrize("original", ["..", "con.tif", "a/b:c?.tif", "\u202ereeds.tif", "r" * 300])
def test_what_a_stranger_called_a_picture_becomes_a_name_that_every_system_takes(original):
    every = " ".join(f"{{{each}}}" for each in RESULT_FIELDS)
    stem = named(every, original=safe_component(original))
    name = result_name(stem, ".tif", 1)
    assert name == safe_component(name)
    assert name.endswith("canvas wall 2026-03-09 0007.tif")


@pytest.mark.parametrize("template", ["{size} {medium}", "{file} {page}", "{file", "{stem!r}"])
def test_a_template_that_cannot_name_results_is_refused_with_what_it_may_have(template):
    with pytest.raises(ValidationError) as refused:
        TEMPLATE.validate_python(template)
    said = str(refused.value)
    assert "{number}" in said
    assert "{file}" in said
