"""Settings: all problems at once, each with file, key, value and what is allowed."""

import pytest

from hotfolder.errors import SettingsError
from hotfolder.settings.files import load_what_is_right
from hotfolder.stages.registry import load_registry

GOOD = """
title = "Canvas"
stages = ["preflight", "sizing", "profile-conversion"]
[medium]
profile = "matte-canvas.icc"
surface = "canvas"
viewing_distance = "2 m"
[stage.sizing]
long_edge = "30 in"
ppi = 150
"""


def load_settings(root, registry):
    """Settings of which none may be wrong."""
    settings = load_what_is_right(root, registry)
    if settings.refused:
        raise SettingsError([each for found in settings.refused.values() for each in found])
    return settings


@pytest.fixture
def load(root):
    def load(text, name="canvas"):
        for file in root.destinations.glob("*.toml"):
            file.unlink()
        (root.destinations / f"{name}.toml").write_text(text)
        return load_settings(root.path, load_registry())

    return load


def problems_of(load, text, name="canvas"):
    with pytest.raises(SettingsError) as error:
        load(text, name)
    return error.value.problems


def test_what_init_writes_is_right(root):
    settings = load_settings(root.path, load_registry())
    assert sorted(settings.destinations) == ["book-pages", "fine-art-canvas", "web-gallery"]


def test_quantities_are_plain_numbers_after_loading(load):
    canvas = load(GOOD).destinations["canvas"]
    assert canvas.file.medium.viewing_distance == 2000.0


@pytest.mark.parametrize(
    ("old", "new", "key", "said"),
    [
        ('surface = "canvas"', 'surface = "velvet"', "medium.surface", '"canvas"'),
        ('surface = "canvas"', "", "medium.surface", "is missing"),
        ('viewing_distance = "2 m"', "viewing_distance = 2", "medium.viewing_distance", "60 in"),
        ('title = "Canvas"', 'titel = "Canvas"', "titel", "title, hours, priority, stages"),
        ('"preflight"', '"prefight"', "stages.1", "no stage is called 'prefight'"),
        ('"preflight"', '"sizing"', "stages.2", "each stage once"),
        ("ppi = 150", "pip = 150", "stage.sizing.pip", "ppi"),
        ("matte-canvas.icc", "gone.icc", "medium.profile", "matte-canvas.icc"),
        ("[stage.sizing]", "[stage.tagging]\n[stage.sizing]", "stage.tagging", "is not used"),
        ("[stage.sizing]", "[stage.tagging]\n[stage.sizing]", "stage.tagging", "take this table"),
        ("[stage.sizing]", "[stage.sizng]\n[stage.sizing]", "stage.sizng", "did you mean sizing"),
        ("[medium]", '[result]\nformat = "heic"\n[medium]', "result.format", '"tiff", "jpeg"'),
        ("[medium]", '[result]\nformat = "jpeg"\nbits = 16\n[medium]', "result", "bits = 8"),
        ("[medium]", '[limits]\ntime = "soon"\n[medium]', "limits.time", "10 min"),
        ("[medium]", "[medium", "", "line 4: is not TOML"),
    ],
)
def test_a_wrong_value_is_named_with_its_key_and_what_is_allowed(load, old, new, key, said):
    assert old in GOOD
    problems = problems_of(load, GOOD.replace(old, new))
    assert key in [problem.key for problem in problems]
    assert said in "\n".join(str(problem) for problem in problems)
    assert all(problem.file.endswith("canvas.toml") for problem in problems)


def test_all_problems_of_all_files_come_at_once(root):
    for file in root.destinations.glob("*.toml"):
        file.write_text(file.read_text().replace("surface", "surfaces"))
    (root.path / "hotfolder.toml").write_text("workers = -1\nspeed = 3\n")
    with pytest.raises(SettingsError) as error:
        load_settings(root.path, load_registry())
    files = {problem.file.rsplit("/", 1)[-1] for problem in error.value.problems}
    assert files == {
        "hotfolder.toml",
        "book-pages.toml",
        "fine-art-canvas.toml",
        "web-gallery.toml",
    }


def test_a_key_of_an_earlier_version_is_named_with_its_name_of_today(root):
    path = root.path / "hotfolder.toml"
    path.write_text(path.read_text().replace("keep_discarded", "keep_dropped"))
    with pytest.raises(SettingsError) as error:
        load_settings(root.path, load_registry(root.plugins))
    (problem,) = error.value.problems
    assert ("keep_dropped", "this key is now called keep_discarded") == (
        problem.key,
        problem.allowed,
    )


def test_a_root_without_its_settings_file_says_to_run_init(tmp_path):
    with pytest.raises(SettingsError) as error:
        load_settings(tmp_path, load_registry())
    assert "hotfolder init" in str(error.value)


def test_a_destination_with_a_hostile_name_is_refused(load):
    problems = problems_of(load, GOOD, name="a b")
    assert "letters, digits, hyphens and underscores" in str(problems[0])


VIEWING = GOOD.replace("[stage.sizing]", "[medium.viewing]\n{}\n[stage.sizing]")


def test_the_light_of_viewing_is_read_with_its_units(load):
    text = 'where = "wall"\nilluminance = "150 lx"\ncolour_of_light = "2700 K"\nlamp = "LED-B1"'
    viewing = load(VIEWING.format(text)).destinations["canvas"].file.medium.viewing
    assert (150.0, 2700.0) == (viewing.illuminance, viewing.colour_of_light)
    text = 'where = "display"\nluminance = "120 cd/m2"\ncolour_of_light = "6500 K"'
    assert 120.0 == load(VIEWING.format(text)).destinations["canvas"].file.medium.viewing.luminance


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('where = "booth P1"\nilluminance = "900 lx"', "says its own light; leave out illuminance"),
        ('where = "wall"\nluminance = "120 cd/m2"', "leave out luminance"),
        ('where = "display"\nlamp = "A"', "leave out lamp"),
        ('where = "wall"\ncolour_of_light = "20 K"', "1000 K"),
        ('where = "wall"\nilluminance = "150"', "lx"),
    ],
)
def test_what_a_place_of_viewing_does_not_have_is_refused(load, text, said):
    with pytest.raises(SettingsError) as caught:
        load(VIEWING.format(text))
    assert said in str(caught.value)
