"""A share that is gone is told in one sentence, not in one for each folder on it."""

import shutil

import pytest

from hotfolder.overview import absent
from hotfolder.overview.check import check
from hotfolder.overview.new_root import make_root
from hotfolder.overview.status import collect
from hotfolder.settings.root import DestinationFolders, Root

KINDS = ("hot_folder", "results", "held", "refused", "originals", "release")
NAMES = ("book-pages", "web-gallery")


@pytest.fixture
def share(tmp_path):
    share = tmp_path / "share"
    share.mkdir()
    return share


@pytest.fixture
def root(tmp_path, share):
    """Two destinations whose folders lie on a share."""
    root = Root(tmp_path / "root")
    make_root(root.path)
    for name in NAMES:
        file = root.destinations / f"{name}.toml"
        moved = "".join(f'{kind} = "{share}/{name}/{kind}"\n' for kind in KINDS)
        file.write_text(f"{file.read_text()}\n[folders]\n{moved}")
    make_root(root.path)
    return root


def told(root):
    return [(each.file, each.got) for each in check(root).unreachable]


def test_a_share_that_is_gone_is_one_problem(root, share):
    share.rename(share.with_name("away"))
    said = "folders are missing: all of book-pages; all of web-gallery"
    assert [(str(share), said)] == told(root)


def test_a_share_that_is_not_mounted_is_one_problem_for_each_destination(root, share):
    for name in NAMES:
        shutil.rmtree(share / name)
    assert [(str(share / name), f"folders are missing: all of {name}") for name in NAMES] == told(
        root
    )
    for name in NAMES:
        (share / name).mkdir()
    assert len(NAMES) == len(told(root))


def test_one_folder_and_several_of_one_destination_are_named(root, share):
    (share / "book-pages/held").rename(share / "held")
    place = share / "book-pages"
    assert [(str(place / "held"), "the held folder of book-pages is missing")] == told(root)
    (place / "hot_folder").rename(share / "in")
    said = "folders are missing: hot folder and held of book-pages"
    assert [(str(place), said)] == told(root)
    make_root(root.path)  # as the advice says
    assert [] == told(root)


def test_another_disk_in_the_place_of_a_share_is_one_problem_for_each_destination(root, share):
    for marker in share.rglob(".hotfolder-folder"):
        marker.unlink()
    said = told(root)
    assert len(NAMES) == len(said)
    assert all(f"hotfolder init {root.path}" in got for _, got in said)
    assert all(got.count("is there, but without") == 1 for _, got in said)
    assert all(
        str(share / name / "release") in got for name, (_, got) in zip(NAMES, said, strict=True)
    )


def test_status_says_once_what_is_the_same_of_all_folders(root, share):
    share.rename(share.with_name("away"))
    for name in NAMES:
        said = collect(root)["destinations"][name]["unreachable"]
        assert 1 == said.count("Check the share")
        assert all(str(share / name / kind) in said for kind in KINDS)


def test_destinations_on_a_share_that_hangs_are_told_together(monkeypatch, tmp_path):
    root = Root(tmp_path / "root")
    monkeypatch.setattr(
        absent.mounts, "find_mount", lambda path: "/mnt/nas" if "nas" in str(path) else "/"
    )
    places = {
        name: DestinationFolders(**{kind: tmp_path / name / kind for kind in KINDS})
        for name in ("nas-one", "nas-two", "here")
    }
    said = [(each.file, each.got) for each in absent.say_silent(root, places)]
    assert ("/mnt/nas", "nas-one and nas-two: their folders do not answer") == said[0]
    assert "here: one of its folders does not answer" == said[1][1]
