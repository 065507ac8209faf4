"""What is left alone in a hot folder."""

from __future__ import annotations

import pytest

from hotfolder.intake.junk import is_junk


@pytest.mark.parametrize(
    "name",
    [
        ".DS_Store", "._reeds.tif", ".reeds.tif.Xb3q", "Thumbs.db", "THUMBS.DB", "desktop.ini",
        "~$plates.docx", "reeds.tif.part", "reeds.tif.partial", "reeds.tif.filepart",
        "reeds.tif.crdownload", "reeds.tif.download", "reeds.TMP", "Icon\r", "__MACOSX",
        ".hotfolder-folder", ".hotfolder-0123456789abcdef",
    ],
)  # fmt: skip
def test_what_systems_and_programs_leave_is_junk(name):
    assert is_junk(name)


@pytest.mark.parametrize(
    "name",
    ["reeds.tif", "reeds", "Thumbs.db.tif", "part.tif", "tmp", "$.tif", "~reeds.tif", "notes.txt"],
)
def test_everything_else_is_for_somebody_to_look_at(name):
    assert not is_junk(name)
