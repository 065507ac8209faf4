"""Which of a batch's pictures a row of its ticket means."""

from types import SimpleNamespace

import pytest

from hotfolder.batch.planning import Pictures
from hotfolder.disk.names import collision_key


@pytest.mark.parametrize(
    ("asked", "like"),
    [
        ("garden wal.jpg", "spring/garden wall.jpg"),
        ("Gardenwall", "spring/garden wall.jpg"),
        ("IMG_0042.jpg", ""),  # another number is another picture
        ("reeds.tif", ""),
    ],
)
def test_a_slip_in_a_pictures_name_is_guessed(asked, like):
    there = ("spring/garden wall.jpg", "IMG_0041.jpg", "low tide.tif")
    pictures = Pictures([SimpleNamespace(key=collision_key(name), name=name) for name in there])
    assert pictures.find_like(asked) == like
