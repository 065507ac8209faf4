"""The settings that a new root starts with."""

import tomllib
from importlib import resources
from pathlib import Path

import pytest

from hotfolder.settings.tables import DestinationFile, RootFile
from hotfolder_demo import shoot
from hotfolder_demo.profiles import SHIPPED

DEFAULTS = Path(str(resources.files("hotfolder_defaults")))
DESTINATIONS = sorted((DEFAULTS / "destinations").glob("*.toml"), key=lambda path: path.name)


def test_there_are_three_destinations():
    assert ["book-pages", "fine-art-canvas", "web-gallery"] == [path.stem for path in DESTINATIONS]


@pytest.mark.parametrize("path", DESTINATIONS, ids=lambda path: path.stem)
def test_a_destination_is_valid_and_names_a_profile_that_ships(path):
    file = DestinationFile.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    assert file.medium.profile in {f"{name}.icc" for name in (*SHIPPED, "srgb")}
    assert file.title
    assert set(file.stage) <= set(file.stages)


def test_the_settings_of_the_root_are_valid():
    text = (DEFAULTS / "hotfolder.toml").read_text(encoding="utf-8")
    RootFile.model_validate(tomllib.loads(text))


@pytest.mark.parametrize("path", DESTINATIONS, ids=lambda path: path.stem)
def test_every_setting_is_explained_where_it_needs_to_be(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    settings = [line for line in lines if "=" in line and not line.startswith("#")]
    explained = [line for line in settings if "#" in line]
    assert len(explained) >= 0.6 * len(settings)


def test_the_demos_destination_for_a_shoot_is_valid():
    file = DestinationFile.model_validate(tomllib.loads(shoot.DESTINATION))
    assert "reference" == file.stages[0]
    assert set(file.stage) <= set(file.stages)
