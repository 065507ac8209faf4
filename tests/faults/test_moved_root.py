"""A root that is moved as a whole works where it is: held jobs, batches, originals, sheets."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from batch import conftest as batches
from faults.killing import check_books, choose, copied, dropped_hashes, sweep_in_child
from faults.serving import CANVAS, sweep
from hotfolder.ledger.packing import unpack
from hotfolder.overview.check import check
from hotfolder.settings.root import Root
from whole.conftest import drop, files, hotfolder, records

__all__ = ["hotfolder"]

BOOK = batches.BOOK
SAMPLE = 5
ROWS = ["reeds.tif,1,left,30 mm,,", "mud.tif,2,,20 mm,,"]


@pytest.fixture
def done(root):
    """A batch of two pictures that is done."""
    batches.as_book(root)
    batches.picture(root, "reeds.tif", seed=1)
    batches.picture(root, "mud.tif", seed=2)
    batches.ticket(root, ROWS)
    assert [] == batches.sweep(root).troubles()
    return root


def move(root: Root, to: Path) -> Root:
    root.path.rename(to)
    return Root(to)


def verify(hotfolder, root: Root) -> dict:
    done = hotfolder("audit", root.path, "--verify", "--json")
    assert done.returncode == 0, done.stdout + done.stderr
    return json.loads(done.stdout)


def make_old(root: Root) -> None:
    """Make the root what an earlier version left: absolute paths in log and ledger."""

    def old(text: str) -> str:
        for kind in ("out", "held", "refused", "originals", "release"):
            text = text.replace(f'"{kind}/', f'"{root.path}/{kind}/')
        return text

    for log in root.path.glob("out/*/log.jsonl"):
        log.write_text(old(log.read_text()))
    with closing(sqlite3.connect(root.ledger)) as db, db:
        for job, record in db.execute("SELECT id, record FROM jobs").fetchall():
            db.execute("UPDATE jobs SET record = ? WHERE id = ?", (old(unpack(record)), job))
        db.execute("DROP TABLE roots")
        db.execute("DROP TABLE marks")
        db.execute("UPDATE records SET line_sha256 = NULL")
        db.execute("PRAGMA user_version = 8")


@pytest.mark.parametrize("version", ["today's", "an earlier"])
def test_held_delivered_and_sheets_lead_to_where_the_root_is(filled, tmp_path, hotfolder, version):
    file = filled.destinations / f"{CANVAS}.toml"
    stages = 'stages = ["proof-sheet", "profile-conversion"]'
    text = file.read_text().replace('stages = ["profile-conversion"]', stages)
    file.write_text(f'keep_sheets = "all"\n{text}')
    done = hotfolder("sweep", filled.path)
    assert done.returncode == 3, done.stdout + done.stderr
    if version != "today's":
        make_old(filled)
    before = filled.path
    root = move(filled, tmp_path / "larger disk")
    assert [] == sweep(root)
    if version == "today's":
        said = verify(hotfolder, root)
        assert (0, True) == (said["files"]["taken_away"], said["as_recorded"])
    (held,) = (each for each in records(root) if each["state"] == "held")
    done = hotfolder(
        "audit", root.path, "--of", root.path / "held" / CANVAS / held["job"] / "plain.tif"
    )
    assert str(before) not in done.stdout
    page = (root.path / "out" / CANVAS / "sheets/index.html").read_text()
    assert 2 == page.count('.html"')
    assert not before.exists()
    drop(root, "later.tif", seed=8, size=24)
    assert [] == sweep(root)
    assert f"originals/{CANVAS}/later.tif" in (root.path / "out" / CANVAS / "log.jsonl").read_text()


def test_what_is_under_way_goes_on_where_the_root_is(filled, tmp_path, every_act):
    dropped = dropped_hashes(filled.path / "in" / CANVAS)
    acts = sweep_in_child(copied(filled, tmp_path / "counted"))
    for number in choose(acts, SAMPLE, every=every_act, first=2):
        root = copied(filled, tmp_path / f"killed-{number}")
        assert sweep_in_child(root, number, after=True) is None
        root = move(root, tmp_path / f"moved-{number}")
        assert sweep_in_child(root) is not None, f"after act {number}, {acts[number - 1]}"
        check_books(root, dropped)
        assert not (tmp_path / f"killed-{number}").exists()


def test_a_released_job_goes_on_where_the_root_is(filled, tmp_path, every_act):
    assert sweep(filled) == []
    (held,) = (each for each in records(filled) if each["state"] == "held")
    shutil.move(
        filled.path / "held" / CANVAS / held["job"], filled.path / "release" / CANVAS / held["job"]
    )
    acts = sweep_in_child(copied(filled, tmp_path / "counted"))
    for number in choose(acts, SAMPLE, every=every_act, turn=1, first=2):
        root = copied(filled, tmp_path / f"killed-{number}")
        sweep_in_child(root, number, after=True)
        root = move(root, tmp_path / f"moved-{number}")
        assert sweep_in_child(root) is not None
        assert [] == list(root.spool.iterdir())
        assert records(root)[-1]["release"]


@pytest.mark.parametrize("version", ["today's", "an earlier"])
def test_a_batch_is_not_done_again_and_its_originals_are_found(done, tmp_path, hotfolder, version):
    """A corrected ticket makes only the row that changed."""
    if version != "today's":
        make_old(done)
        with closing(sqlite3.connect(done.ledger)) as db, db:
            db.execute("UPDATE batch_files SET place = ? || '/' || place", (str(done.path),))
    made = len(records(done, BOOK))
    root = move(done, tmp_path / "larger disk")
    assert [] == batches.sweep(root).troubles()
    assert 2 == made == len(records(root, BOOK))
    batches.ticket(root, [ROWS[0], "mud.tif,2,,25 mm,,"])
    assert [] == batches.sweep(root).troubles()
    assert 3 == len({each["job"] for each in records(root, BOOK)})
    if version == "today's":
        said = verify(hotfolder, root)
        assert 0 == said["files"]["taken_away"]
    assert check(root).problems == ()
    report = json.loads((root.path / "out" / BOOK / "estuary/report.json").read_text())
    assert all(Path(row["result"]).exists() for row in report["placements"] if row["result"])
    assert files(root.path / "originals" / BOOK)
