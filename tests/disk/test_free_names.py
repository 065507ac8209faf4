"""Free names: none is taken twice, and what one costs does not grow with the folder."""

import os

import pytest

from hotfolder.disk.free_names import TakenNames, free_name


@pytest.fixture
def full(tmp_path):
    for number in range(600):
        (tmp_path / f"{number}.tif").touch()
    return tmp_path


def test_a_large_folder_is_read_once(full, monkeypatch):
    taken = TakenNames(small=500)
    read = []
    listdir = os.listdir

    def counted(path):
        read.append(path)
        return listdir(path)

    monkeypatch.setattr(os, "listdir", counted)
    for number in range(20):
        found = taken.find_free(full, "reeds.tif")
        assert found.name == ("reeds.tif" if number == 0 else f"reeds-{number + 1}.tif")
        found.touch()
    assert [full] == read


@pytest.mark.parametrize("small", [0, 5000])
def test_another_case_counts_and_a_collected_name_is_free_again(full, small):
    taken = TakenNames(small=small)
    (full / "Reeds.TIF").touch()
    assert "reeds-2.tif" == taken.find_free(full, "reeds.tif").name
    (full / "Reeds.TIF").unlink()
    assert "reeds.tif" == taken.find_free(full, "reeds.tif").name


def test_what_somebody_else_puts_there_is_never_given(full):
    taken = TakenNames(small=0)
    taken.find_free(full, "mud.tif")
    (full / "reeds.tif").touch()
    assert "reeds-2.tif" == taken.find_free(full, "reeds.tif").name


def test_a_name_that_came_very_often_is_found_in_few_steps(tmp_path, monkeypatch):
    for number in range(1, 3001):
        (tmp_path / ("a.tif" if number == 1 else f"a-{number}.tif")).touch()
    looked = []
    exists = os.path.lexists
    monkeypatch.setattr(os.path, "lexists", lambda path: looked.append(path) or exists(path))
    assert "a-3001.tif" == free_name(tmp_path, "a.tif").name
    assert len(looked) < 60
