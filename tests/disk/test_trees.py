"""Folders are removed with what is in them, and nothing beside."""

import pytest

from hotfolder.disk import trees


def names(folder):
    return sorted(each.name for each in folder.iterdir())


def test_a_tree_below_its_base_is_removed_and_links_in_it_are_not_followed(tmp_path):
    (tmp_path / "spool" / "job").mkdir(parents=True)
    (tmp_path / "precious").mkdir()
    (tmp_path / "spool" / "job" / "link").symlink_to(tmp_path / "precious")
    (tmp_path / "spool" / "link").symlink_to(tmp_path / "precious")
    (tmp_path / "spool" / "file").write_bytes(b"")
    for name in ("job", "link", "file", "nothing"):
        trees.remove_tree(tmp_path / "spool" / name, below=tmp_path / "spool")
    assert names(tmp_path) == ["precious", "spool"]
    assert not names(tmp_path / "spool")


@pytest.mark.parametrize("path", ["", "..", "../precious", "job/../../precious", "link/precious"])
def test_nothing_outside_its_base_is_removed(tmp_path, path):
    (tmp_path / "spool" / "job").mkdir(parents=True)
    (tmp_path / "precious").mkdir()
    (tmp_path / "spool" / "link").symlink_to(tmp_path)
    with pytest.raises(ValueError, match="is not below"):
        trees.remove_tree(tmp_path / "spool" / path, below=tmp_path / "spool")
    assert names(tmp_path) == ["precious", "spool"]
