"""Stages come from entry points and from modules in a folder, and a bad one names itself."""

from pathlib import Path

import pytest

from hotfolder import Stage
from hotfolder.errors import PluginError
from hotfolder.stages.registry import load_registry

ONE_CLASS = """
from hotfolder import Stage
class Nothing(Stage):
    name = "nothing-at-all"
"""


def module(folder: Path, text: str, name: str = "mine.py") -> Path:
    folder.mkdir(exist_ok=True)
    (folder / name).write_text(text)
    return folder


def test_the_built_in_stages_are_found_by_name():
    assert {
        "preflight",
        "sizing",
        "gamut-check",
        "output-sharpening",
        "profile-conversion",
        "tagging",
    } <= set(load_registry().stages)


def test_one_class_in_a_file_is_a_stage(tmp_path):
    registry = load_registry(module(tmp_path, ONE_CLASS))
    assert issubclass(registry.stages["nothing-at-all"], Stage)


def test_a_folder_that_does_not_exist_adds_nothing(tmp_path):
    assert load_registry(tmp_path / "none").stages == load_registry().stages


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("import no_such_thing", "mine.py cannot be imported: ModuleNotFoundError"),
        ("x = (", "mine.py cannot be imported: SyntaxError"),
        ("x = 1", "mine.py defines no stage"),
        (
            ONE_CLASS.replace("nothing-at-all", "Nothing At All"),
            "lower-case words joined by hyphens",
        ),
        (ONE_CLASS.replace("name =", "title ="), "the stage's name is None"),
        (ONE_CLASS + "    Settings = dict\n", "Nothing.Settings must extend StageSettings"),
        (ONE_CLASS.replace("nothing-at-all", "sizing"), "two stages are called 'sizing'"),
    ],
)
def test_a_bad_plugin_is_refused_and_says_whose_it_is(tmp_path, text, said):
    with pytest.raises(PluginError) as error:
        load_registry(module(tmp_path, text))
    assert said in str(error.value)
    assert "mine.py" in str(error.value)
