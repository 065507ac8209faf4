"""Files and folders that are dropped under names which the program itself uses."""

from pathlib import Path

import pytest

from faults.killing import hashes
from faults.serving import CANVAS, sweep
from whole.conftest import drop, files, records


@pytest.mark.parametrize("name", ["why.txt", "record.json", "result"])
def test_a_file_named_like_ours_is_kept_beside_them(quick, name):
    data = b"dear printer"
    (quick.path / "in" / CANVAS / name).write_bytes(data)
    assert sweep(quick) == []
    (record,) = records(quick)
    assert "refused" == record["state"]
    assert data == Path(record["original_kept"]).read_bytes()
    folder = quick.path / "refused" / CANVAS / record["job"]
    assert "is a text, by its content" in (folder / "why.txt").read_text()
    assert 3 == len(files(folder))


@pytest.mark.parametrize(
    ("name", "first"), [("log.jsonl", True), ("log.jsonl", False), ("index.html", True)]
)
def test_a_folder_named_like_a_file_of_ours_keeps_nothing_waiting(quick, name, first):
    if not first:
        drop(quick, "before.tif", size=24)
        assert sweep(quick) == []
    drop(quick, f"{name}/mud.tif", seed=2, size=24)
    assert sweep(quick) == []
    drop(quick, "after.tif", seed=3, size=24)
    assert sweep(quick) == []
    assert ["delivered"] * (2 if first else 3) == [record["state"] for record in records(quick)]


def test_a_folder_named_like_an_original_that_is_kept_keeps_nothing_waiting(quick):
    drop(quick, "mud", size=24)
    assert sweep(quick) == []
    drop(quick, "mud/creek/reeds.tif", seed=2, size=24)
    assert sweep(quick) == []
    assert ["delivered", "delivered"] == [record["state"] for record in records(quick)]
    kept = sorted(hashes(quick, "originals"))
    assert kept == sorted(record["original"]["sha256"] for record in records(quick))
