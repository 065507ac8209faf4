"""What single results are called: size and medium are in the name, unless settings say so."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from batch.conftest import sweep
from hotfolder.cli.main import app
from whole.conftest import drop, files, hotfolder, write_destination

__all__ = ["hotfolder"]

CANVAS = "fine-art-canvas"


def sweep_as(root, name=None, **replace):
    """Deliver one picture with results named like this."""
    for file in root.destinations.glob("*.toml"):
        file.unlink()
    line = ('name = "{file}"', f'name = "{name}"' if name else "")
    write_destination(root, line=line, **replace)
    settings = root.path / "hotfolder.toml"
    settings.write_text(
        settings.read_text().replace('"0.1 s"', '"0 s"').replace('"0.3 s"', '"0 s"')
    )
    drop(root, "spring/reeds.tif", size=24)
    sweep(root)
    return files(root.path / "out" / CANVAS)


def test_a_result_has_size_and_medium_in_its_name_and_never_the_masters(root):
    # 8 cm at 100 ppi are 315 × 210 px, 80 × 53 mm
    assert ["spring/reeds 80x53mm canvas.tif"] == sweep_as(root)


def test_a_result_for_a_screen_has_pixels_in_its_name(root):
    found = sweep_as(root, surface=('"canvas"', '"screen"'))
    assert ["spring/reeds 315x210px screen.tif"] == found


@pytest.mark.parametrize(
    ("template", "expected"),
    [("{file}", "reeds.tif"), ("{destination} {file}", "fine-art-canvas reeds.tif")],
)
def test_a_setting_names_results(root, template, expected):
    assert [f"spring/{expected}"] == sweep_as(root, template)


@pytest.mark.parametrize("template", ["canvas", "{file} {page}", "{file:>9}", "{file}{"])
def test_a_template_without_the_picture_or_with_other_fields_is_refused(root, template):
    write_destination(root, line=('name = "{file}"', f'name = "{template}"'))
    done = CliRunner().invoke(app, ["check", str(root.path)])
    assert done.exit_code != 0
    assert "result.name" in str(done.exception)


def test_a_long_name_is_cut_and_keeps_size_and_medium(root):
    for file in root.destinations.glob("*.toml"):
        file.unlink()
    write_destination(root, line=('name = "{file}"', ""))
    drop(root, "r" * 240 + ".tif", size=24)
    sweep(root)
    (found,) = files(root.path / "out" / CANVAS)
    assert found.endswith("rr 80x53mm canvas.tif")


def test_more_files_of_one_job_are_delivered_together_under_one_name(root):
    more = ('name = "{file}"', 'bits = 8\nalso = ["webp", "jxl"]')
    for file in root.destinations.glob("*.toml"):
        file.unlink()
    write_destination(root, line=more, first=('format = "tiff"', 'format = "png"'))
    drop(root, "reeds.tif", size=24)
    drop(root, "spring/reeds.tif", size=24)
    sweep(root)
    names = [f"reeds 80x53mm canvas.{each}" for each in ("jxl", "png", "webp")]
    expected = sorted([*names, *(f"spring/{each}" for each in names)])
    assert expected == sorted(files(root.path / "out" / CANVAS))
    lines = (root.path / "out" / CANVAS / "log.jsonl").read_text().splitlines()
    assert [3, 3] == [len(json.loads(line)["results"]) for line in lines]
    assert 0 == CliRunner().invoke(app, ["audit", str(root.path), "--verify"]).exit_code
