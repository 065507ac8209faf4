"""What `init` says of a root that it makes, and of one that is there."""

from __future__ import annotations

import shutil

import pytest
from typer.testing import CliRunner

from hotfolder.cli.main import app
from hotfolder.disk.marker import MARKER
from hotfolder.overview.status import collect

CANVAS = "fine-art-canvas"
FIRST = "put your printer's profile into profiles/"


def init(path):
    done = CliRunner().invoke(app, ["init", str(path)])
    assert 0 == done.exit_code
    return done.output


def test_a_new_root_is_made_with_its_next_steps_as_commands(tmp_path):
    path = tmp_path / "my desk"
    said = init(path)
    assert f"The root is {path}\n" in said
    assert FIRST in said
    assert f"then: hotfolder check '{path}'   and   hotfolder watch '{path}'" in said


def test_a_root_that_is_there_is_not_set_up_once_more(root):
    said = init(root.path)
    assert f"Nothing was missing: {root.path}" in said
    assert FIRST not in said
    assert f"Next: hotfolder check {root.path}" in said


def test_a_folder_that_stood_there_without_our_marker_was_missing_one(root):
    marker = root.path / "out" / CANVAS / MARKER
    marker.unlink()
    said = init(root.path)
    assert f"made {marker}" in said
    assert "Nothing was missing" not in said


@pytest.mark.parametrize(
    "wrong", ["[stage.sizng]", "[stage.sizng", "result = 1"], ids=["setting", "file", "folders"]
)
def test_no_folder_is_made_in_its_usual_place_while_a_mistake_hides_that_it_is_elsewhere(
    root, tmp_path, wrong
):
    path = root.destinations / f"{CANVAS}.toml"
    right = f'{path.read_text()}\n[folders]\nresults = "{tmp_path / "share"}"\n'
    shutil.rmtree(root.path / "out" / CANVAS)
    path.write_text(right)
    init(root.path)
    path.write_text(f"{right}{wrong}\n")
    init(root.path)
    assert not (root.path / "out" / CANVAS).exists()
    path.write_text(right)
    assert "" == collect(root)["destinations"][CANVAS]["unreachable"]


@pytest.mark.parametrize("settings", ["", 'title = "Prints"\n'])
def test_status_sends_nobody_after_the_folders_of_a_destination_that_is_new(root, settings):
    text = settings or (root.destinations / f"{CANVAS}.toml").read_text()
    (root.destinations / "prints.toml").write_text(text)
    said = collect(root)["destinations"]["prints"]
    assert "" == said["unreachable"]
    assert bool(settings) == bool(said["settings_problem"])


def test_status_says_that_a_folder_which_was_there_is_gone(root):
    shutil.rmtree(root.path / "out" / CANVAS)
    assert (
        "out/fine-art-canvas cannot be reached"
        in (collect(root)["destinations"][CANVAS]["unreachable"])
    )
