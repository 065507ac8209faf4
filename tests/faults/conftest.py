"""Options and roots of the fault tests."""

from __future__ import annotations

import re
import shutil
import tempfile
from pathlib import Path

import pytest

from batch import conftest as batches
from roots import make_quick_root
from whole.conftest import drop, drop_with_sidecar, write_destination


@pytest.fixture(scope="session")
def loaded(profiles, tmp_path_factory):
    """What a sweep loads and compiles is there before children are forked: else each does it."""
    root = make_quick_root(tmp_path_factory.mktemp("loaded") / "root", profiles)
    drop(root, "plain.tif", profile=False, size=24)
    batches.as_book(root)
    batches.picture(root, "reeds.tif")
    batches.ticket(root, ["reeds.tif,1,,20 mm,,", "reeds.tif,2,,3 m,,"])
    batches.sweep(root)


@pytest.fixture
def quick(root, loaded):
    """A root with one destination, one stage and no waiting: a small file takes milliseconds."""
    for file in root.destinations.glob("*.toml"):
        file.unlink()
    path = write_destination(root)
    text = path.read_text().partition("[stage.sizing]")[0]
    path.write_text(re.sub("stages = .*", 'stages = ["profile-conversion"]', text))
    settings = root.path / "hotfolder.toml"
    settings.write_text(
        settings.read_text()
        .replace("workers = 0", "workers = 1")
        .replace('"0.1 s"', '"0 s"')
        .replace('"0.3 s"', '"0 s"')
    )
    return root


@pytest.fixture
def filled(quick):
    """Four files that end in three ways, two of one name in two folders, two with a sidecar."""
    drop_with_sidecar(quick, "harbour/mud.tif", seed=1, size=24)
    drop(quick, "mud.tif", seed=2, size=24)
    drop_with_sidecar(quick, "plain.tif", profile=False, seed=3, size=24)
    (quick.path / "in/fine-art-canvas/note.tif").write_text("dear printer")
    return quick


@pytest.fixture
def elsewhere(tmp_path):
    """A folder on another file system than `tmp_path`."""
    here = tmp_path.stat().st_dev
    others = [Path("/dev/shm"), Path(tempfile.gettempdir())]
    place = next((each for each in others if each.is_dir() and each.stat().st_dev != here), None)
    if place is None:
        pytest.skip("this machine has one file system only")
    folder = Path(tempfile.mkdtemp(dir=place))
    yield folder
    shutil.rmtree(folder)
