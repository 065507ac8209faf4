"""`check` finds every mistake in one run: in files, tables, profiles, orders, folders, sizes."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import BaseModel, ValidationError

from hotfolder.model.destination import Medium, Result
from hotfolder.overview.check import check
from hotfolder.settings.mistakes import describe
from hotfolder.settings.tables import (
    DestinationFile,
    Folders,
    Intake,
    Limits,
    RootFile,
    TicketTable,
)
from hotfolder.stages.registry import load_registry
from hotfolder_demo import profiles
from whole.conftest import hotfolder

__all__ = ["hotfolder"]

CANVAS = """
titel = "Canvas"
priority = "high"
stages = [
  "preflight",
  "sizing",
  "neutral-chek",
  "profile-conversion",
  "gamut-check",
  "sizing",
]

[medium]
profile = "mate-canvas.icc"
surface = "velvet"
viewing_distance = 2

[result]
format = "heic"
quality = 101

[limits]
attempts = 0
memory = "much"

[folders]
results = 3

[stage.preflight]
assume_rgb = "none.icc"
assume_grey = "srgb.icc"
hold_below_ppi = -1
no_profile = "asume"

[stage.sizing]
long_edge = "24"
pip = 150
wrap_edges = "miror"

[stage.gamut-check]
hold_above = 5

[stage.tagging]
copyright = "me"
"""
BOOK = """
stages = ["preflight", "sizing", "profile-conversion"]
[medium]
profile = "coated-book.icc"
surface = "gloss"
viewing_distance = "40 m"
[limits]
memory = "4 MB"
[ticket]
name = "{pgae}"
"""
WALL = """
stages = ["preflight", "sizing", "profile-conversion"]
[medium]
profile = "matte-canvas.icc"
surface = "canvas"
viewing_distance = "400 m"
[limits]
memory = "4 MB"
[stage.preflight]
hold_below_ppi = 3000
warn_below_ppi = 100
[stage.sizing]
long_edge = "24 mm"
ppi = 150
wrap = "40 mm"
"""
PLANTED = [
    ("titel", "did you mean title?"),
    ("priority", "a whole number"),
    ("stages.3", "did you mean neutral-check?"),
    ("stages.5", "comes after 'profile-conversion'"),
    ("stages.6", "each stage once"),
    ("medium.profile", "did you mean matte-canvas.icc?"),
    ("medium.surface", '"canvas", "matte"'),
    ("medium.viewing_distance", '"60 in"'),
    ("result.format", '"tiff", "jpeg", "png", "pdf", "jxl", "avif" or "webp"'),
    ("result.quality", "100 or less"),
    ("limits.attempts", "1 or more"),
    ("limits.memory", '"2 GiB"'),
    ("folders.results", "a text in quotes"),
    ("stage.preflight.assume_rgb", "'none.icc' does not exist"),
    ("stage.preflight.assume_grey", "a profile for grey pictures"),
    ("stage.preflight.hold_below_ppi", "0 or more"),
    ("stage.preflight.no_profile", '"hold" or "assume"'),
    ("stage.sizing.long_edge", '"60 in"'),
    ("stage.sizing.pip", "did you mean ppi?"),
    ("stage.sizing.wrap_edges", '"mirrored"'),
    ("stage.gamut-check.hold_above", '"5 %"'),
    ("stage.tagging", "is not used"),
]
DOUBTED = [
    "medium.profile is an invented one",
    "medium.viewing_distance is 400 m",
    "limits.memory is 3.81 MiB",
    "stage.preflight.hold_below_ppi hardly any picture has 3000",
    "stage.preflight.warn_below_ppi is never said",
    "stage.sizing.long_edge is 24 mm, very small for canvas; 24 in?",
    "stage.sizing.wrap is 40 mm",
]


@pytest.fixture
def planted(root):
    for file in root.destinations.glob("*.toml"):
        file.unlink()
    for name, text in {"canvas": CANVAS, "book": BOOK, "wall": WALL, "broken": "a = \n"}.items():
        (root.destinations / f"{name}.toml").write_text(text)
    (root.destinations / "poster.TOML").write_text(WALL)
    (root.path / "hotfolder.toml").write_text('workers = -1\n[intake]\nwatch = "often"\n')
    (root.profiles / "grey.icc").write_bytes(profiles.grey_gamma22())
    return check(root)


def test_all_mistakes_are_found_in_one_run(planted):
    of_canvas = [each for each in planted.problems if each.file.endswith("canvas.toml")]
    for key, said in PLANTED:
        assert any(each.key == key and said in str(each) for each in of_canvas), (
            key,
            [str(each) for each in of_canvas if each.key == key],
        )
    assert len(PLANTED) == len(of_canvas), [str(each) for each in of_canvas]
    others = {Path(each.file).name: str(each) for each in planted.problems}
    assert {"book.toml", "broken.toml", "poster.TOML", "hotfolder.toml"} <= set(others)
    assert "ticket.name" in others["book.toml"]
    root_keys = [each.key for each in planted.problems if each.file.endswith("hotfolder.toml")]
    assert {"workers", "intake.watch"} == set(root_keys)


def test_what_is_allowed_and_not_meant_is_remarked_on(planted):
    wall = [each for each in planted.remarks if each.startswith("wall: ")]
    for said in DOUBTED:
        assert any(said in each for each in wall), (said, wall)


def test_each_mistake_has_its_line(planted):
    lines = CANVAS.splitlines()
    for each in planted.problems:
        if each.file.endswith("canvas.toml"):
            assert each.line is not None, str(each)
            part = each.key.rpartition(".")[2]
            name = part if not part.isdigit() else each.got.replace("'", '"').split('"')[1]
            assert name in lines[each.line - 1], (str(each), lines[each.line - 1])
    (broken,) = [each for each in planted.problems if each.file.endswith("broken.toml")]
    assert (1, "is not TOML: Invalid value") == (broken.line, broken.got)


def test_the_command_says_short_paths(planted, root, hotfolder):
    done = hotfolder("check", root.path)
    assert 4 == done.returncode
    assert f"problems in {root.path}:" in done.stderr
    assert "destinations/canvas.toml, line 2: titel" in done.stderr
    assert 1 == done.stderr.count(str(root.path)), done.stderr


WRONG = ["no", "", 3, -3.5, float("nan"), True, [], [1], {}, {"a": 1}, None]
OF_A_LIBRARY = re.compile(
    r"input should|valid|parse|pydantic|field required|after validation|\bint\b|\bstr\b|float\b|"
    r"tuple|dict\b|model\b|none\b(?!, )|instance",
    re.IGNORECASE,
)


def models() -> Iterator[type[BaseModel]]:
    yield from (DestinationFile, RootFile, Medium, Result, Limits, Folders, Intake, TicketTable)
    yield from (stage.Settings for stage in load_registry().stages.values())


@pytest.mark.parametrize("model", list(models()), ids=lambda each: each.__name__)
def test_no_message_has_a_library_s_words(model):
    assert inspect.isclass(model)
    for name in model.model_fields:
        for value in WRONG:
            try:
                model.model_validate({name: value})
            except ValidationError as error:
                details = error.errors()
            else:
                continue
            for detail in details:
                if detail["type"] == "missing" or detail["loc"][:1] != (name,):
                    continue
                said = describe(detail, model, "wall.toml").allowed
                assert said, (name, value)
                assert not OF_A_LIBRARY.search(said.replace('"none"', "")), (name, value, said)


def of_wall(root, text):
    """What `check` says of this one destination: problems, and remarks."""
    for file in root.destinations.glob("*.toml"):
        file.unlink()
    (root.destinations / "wall.toml").write_text(text)
    found = check(root)
    return [str(each) for each in found.problems], list(found.remarks)


@pytest.mark.parametrize(
    ("right", "wrong", "key"),
    [
        ("ppi = 150", "pip = 150", "stage.sizing.pip"),
        ('"sizing", ', "", "stage.sizing"),
        ("matte-canvas.icc", "mate-canvas.icc", "medium.profile"),
        ('memory = "4 MB"', 'memory = "4 MB"\ntime = "soon"', "limits.time"),
    ],
)
def test_sizes_beyond_reason_are_told_beside_the_mistakes_of_the_same_file(root, right, wrong, key):
    """Both at once: else a file is corrected, and corrected again."""
    assert right in WALL
    problems, remarks = of_wall(root, WALL.replace(right, wrong))
    assert any(key in each for each in problems), problems
    expected = [each for each in DOUBTED if key != "medium.profile" or "profile" not in each]
    for said in expected:
        assert any(said in each for each in remarks), (said, remarks)


def test_a_misspelt_stage_is_one_message_and_its_table_is_read_all_the_same(root):
    stages = 'stages = ["preflight", "sizing", "gamut-chek", "profile-conversion"]'
    text = WALL.replace('stages = ["preflight", "sizing", "profile-conversion"]', stages)
    problems, _ = of_wall(root, f"{text}\n[stage.gamut-check]\n")
    (problem,) = problems
    assert "stages.3: no stage is called 'gamut-chek'" in problem
    assert "did you mean gamut-check?" in problem
    problems, _ = of_wall(root, f"{text}\n[stage.gamut-chek]\nhold_above = 5\n")
    assert ["stages.3", "stage.gamut-check.hold_above"] == [
        each.split(": ")[1] for each in problems
    ]


def test_a_misspelt_stage_in_the_wrong_place_is_told_with_both(root):
    stages = 'stages = ["preflight", "sizing", "profile-conversion", "gamut-chek"]'
    problems, _ = of_wall(
        root, WALL.replace('stages = ["preflight", "sizing", "profile-conversion"]', stages)
    )
    assert any("no stage is called 'gamut-chek'" in each for each in problems)
    assert any(
        "stages.4: 'gamut-check' comes after 'profile-conversion'" in each for each in problems
    )


@pytest.mark.parametrize(
    ("surface", "profile", "doubted"),
    [
        ("screen", "matte-canvas.icc", "describes a print"),
        ("screen", "srgb.icc", ""),
        ("canvas", "srgb.icc", "describes a display"),
        ("canvas", "matte-canvas.icc", ""),
    ],
)
def test_a_profile_that_is_not_of_the_surface_is_remarked_on(root, surface, profile, doubted):
    text = WALL.replace("matte-canvas.icc", profile)
    _, remarks = of_wall(root, text.replace('surface = "canvas"', f'surface = "{surface}"'))
    said = [each for each in remarks if "medium.profile" in each and "invented" not in each]
    assert bool(doubted) == bool(said), said
    assert all(doubted in each for each in said)
