"""Files in the hot folder of a destination that was removed are said, with what to do."""

import pytest
from typer.testing import CliRunner

from hotfolder.cli.main import app
from hotfolder.overview.check import check
from hotfolder.overview.status import collect

REMOVED = "web-gallery"


@pytest.fixture
def removed(root):
    """A destination is gone, and two files lie in its hot folder."""
    (root.destinations / f"{REMOVED}.toml").unlink()
    for name in ("mud.tif", "reeds.tif"):
        (root.path / "in" / REMOVED / name).write_bytes(b"picture")
    return root


def test_status_says_it_and_what_to_do(removed):
    (said,) = (each for each in collect(removed)["waiting"] if each["what"] == "left alone")
    assert (f"in/{REMOVED}", "you") == (said["file"], said["who"])
    assert f"2 files lie in in/{REMOVED}, which belongs to no destination" in said["why"]
    assert f"put destinations/{REMOVED}.toml back" in said["why"]
    printed = CliRunner().invoke(app, ["status", str(removed.path)])
    assert "For you to do:" in printed.stdout
    assert "move them into another destination" in " ".join(printed.stdout.split())


def test_check_says_it_too(removed):
    assert any(f"2 files lie in in/{REMOVED}" in each for each in check(removed).remarks)


def test_an_empty_folder_is_nothing_to_do(root):
    (root.destinations / f"{REMOVED}.toml").unlink()
    assert [] == [each for each in collect(root)["waiting"] if each["what"] == "left alone"]
    assert any(f"in/{REMOVED} belongs to no destination" in each for each in check(root).remarks)


def test_the_hot_folder_that_another_destination_names_is_in_use(removed):
    path = removed.destinations / "fine-art-canvas.toml"
    path.write_text(f'{path.read_text()}\n[folders]\nhot_folder = "in/{REMOVED}"\n')
    assert [] == [each for each in collect(removed)["waiting"] if each["what"] == "left alone"]
