"""The light of the whole root: for destinations that do not say their own, where it fits them."""

import pytest

from hotfolder.settings.files import load_destination, load_what_is_right
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry

NAME = "fine-art-canvas"


def add(path, text):
    path.write_text(f"{path.read_text()}\n{text}\n")


def find_viewing(root, name=NAME):
    registry = load_registry()
    found = load_destination(root.destinations / f"{name}.toml", registry, Intake())
    assert found.file == load_what_is_right(root.path, registry).destinations[name].file
    return found.file.medium.viewing


@pytest.fixture
def lit(root):
    add(root.path / "hotfolder.toml", '[viewing]\nwhere = "wall"\nlamp = "LED-B1"')
    return root


def test_a_root_without_a_light_has_none(root):
    assert find_viewing(root) is None


def test_a_print_is_judged_in_the_light_of_the_root(lit):
    assert ("wall", "LED-B1") == (find_viewing(lit).where, find_viewing(lit).lamp)


def test_a_destination_with_a_light_of_its_own_keeps_it_whole(lit):
    add(lit.destinations / f"{NAME}.toml", '[medium.viewing]\nwhere = "booth P2"')
    assert ("booth P2", None) == (find_viewing(lit).where, find_viewing(lit).lamp)


def test_a_screen_is_not_judged_on_the_wall(lit):
    path = lit.destinations / f"{NAME}.toml"
    path.write_text(path.read_text().replace('surface = "canvas"', 'surface = "screen"'))
    assert find_viewing(lit) is None
    settings = lit.path / "hotfolder.toml"
    text = settings.read_text().partition("[viewing]")[0]
    settings.write_text(f'{text}[viewing]\nwhere = "display"\nluminance = "120 cd/m2"\n')
    assert "display" == find_viewing(lit).where


def test_the_file_of_the_destination_stays_as_it_was(lit):
    found = load_destination(lit.destinations / f"{NAME}.toml", load_registry(), Intake())
    assert "viewing" not in found.raw["medium"]
