"""An older ledger put back: nothing is lost, nothing done twice, what is unmentioned is said."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import structlog

from batch import conftest as batches
from faults.killing import check_books, choose, copied, dropped_hashes, sweep_in_child
from faults.serving import CANVAS, sweep
from faults.test_decisions import move_by_settings
from hotfolder.audit.chain import check_chain
from hotfolder.daemon import take_up
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import Ledger, read_jobs
from hotfolder.ledger.reading import open_reader
from hotfolder.overview.check import check
from hotfolder.overview.new_root import make_root
from whole.conftest import drop, files, records

SAMPLE = 4


def save(root, to: Path) -> Path:
    """A copy of the ledger, as it is now."""
    with closing(sqlite3.connect(root.ledger)) as db, closing(sqlite3.connect(to)) as copy:
        db.backup(copy)
    return to


def put_back(root, saved: Path) -> None:
    for each in root.private.glob("ledger.sqlite*"):
        each.unlink()
    shutil.copyfile(saved, root.ledger)


def test_what_was_delivered_since_is_known_from_the_log(quick, tmp_path):
    drop(quick, "early.tif", seed=1, size=24)
    assert sweep(quick) == []
    saved = save(quick, tmp_path / "saved.sqlite")
    drop(quick, "late.tif", seed=2, size=24)
    drop(quick, "plain.tif", seed=3, size=24, profile=False)
    assert sweep(quick) == []
    before = {row.id: row.record_text for row in read_jobs(quick.ledger, ended=True)}
    put_back(quick, saved)
    assert ["what they say is taken over"] == [
        each.rpartition(": ")[2] for each in check(quick).remarks if "older ledger" in each
    ]
    assert sweep(quick) == []
    assert not [each for each in check(quick).remarks if "older ledger" in each]
    assert before == {row.id: row.record_text for row in read_jobs(quick.ledger, ended=True)}
    assert 3 == len(records(quick))
    drop(quick, "later.tif", seed=4, size=24)
    assert sweep(quick) == []
    assert 4 == len(records(quick))


@pytest.mark.parametrize("then", ["older", "lost"])
def test_a_held_folder_that_a_person_renamed_is_recorded_once(quick, tmp_path, then):
    drop(quick, "plain.tif", seed=1, size=24, profile=False)
    assert sweep(quick) == []
    saved = save(quick, tmp_path / "saved.sqlite")
    (record,) = records(quick)
    held = quick.path / "held" / CANVAS
    (held / record["job"]).rename(held / "for the client")
    drop(quick, "late.tif", seed=2, size=24)
    assert sweep(quick) == []
    if then == "older":
        put_back(quick, saved)
    else:
        quick.ledger.unlink()
    with structlog.testing.capture_logs() as said:
        assert sweep(quick) == []
    assert [0] == [each["unlogged"] for each in said if "unlogged" in each]
    assert 2 == len(records(quick))


def test_a_note_of_the_ledger_that_cannot_be_written_makes_it_no_older_one(quick, monkeypatch):
    drop(quick, "early.tif", seed=1, size=24)
    assert sweep(quick) == []

    def full(*_, **__):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(Path, "replace", full)
        with closing(Ledger(quick.ledger)) as ledger:
            for _ in range(3):
                with pytest.raises(OSError, match="No space left"):
                    take_up.close(ledger, quick)
    with structlog.testing.capture_logs() as said:
        assert sweep(quick) == []
    assert "ledger.behind" not in [each["event"] for each in said]


@pytest.mark.parametrize("then", ["older", "lost"])
@pytest.mark.parametrize("more", [False, True])
def test_records_of_before_the_results_were_moved_are_known(quick, tmp_path, then, more):
    drop(quick, "early.tif", seed=1, size=24)
    assert sweep(quick) == []
    saved = save(quick, tmp_path / "saved.sqlite")
    drop(quick, "late.tif", seed=2, size=24)
    assert sweep(quick) == []
    move_by_settings(quick, results=tmp_path / "elsewhere")
    if more:
        drop(quick, "later.tif", seed=3, size=24)
        assert sweep(quick) == []
    before = {row.id for row in read_jobs(quick.ledger, ended=True)}
    if then == "older":
        put_back(quick, saved)
    else:
        quick.ledger.unlink()
    assert sweep(quick) == []
    assert before == {row.id for row in read_jobs(quick.ledger, ended=True)}
    with open_reader(quick.ledger) as ledger:
        assert [] == list(check_chain(ledger.db, CANVAS, tmp_path / "elsewhere").faults)


def test_a_lost_ledger_is_not_made_anew_without_the_log_that_settings_have_left(quick, tmp_path):
    old = tmp_path / "old disk"
    move_by_settings(quick, results=old)
    drop(quick, "early.tif", seed=1, size=24)
    assert sweep(quick) == []
    file = quick.destinations / f"{CANVAS}.toml"
    file.write_text(file.read_text().replace(str(old), str(tmp_path / "new disk")))
    make_root(quick.path)
    old.rename(tmp_path / "away")
    quick.ledger.unlink()
    with pytest.raises(StorageError, match="Connect its disk"):
        sweep(quick)
    (tmp_path / "away").rename(old)
    assert sweep(quick) == []
    assert ["delivered"] == [row.state.value for row in read_jobs(quick.ledger, ended=True)]


def test_an_original_in_the_spool_that_no_row_knows_is_delivered_once(quick, tmp_path):
    drop(quick, "early.tif", seed=1, size=24)
    assert sweep(quick) == []
    saved = save(quick, tmp_path / "saved.sqlite")
    dropped = [*dropped_hashes(quick.path / "originals" / CANVAS)]
    drop(quick, "harbour/late.tif", seed=2, size=24)
    dropped += dropped_hashes(quick.path / "in" / CANVAS)
    acts = sweep_in_child(copied(quick, tmp_path / "counted"))
    number = next(n for n, act in enumerate(acts, 1) if act == "advance")
    assert sweep_in_child(quick, number, after=True) is None
    assert [True] == [each.exists() for each in quick.spool.glob("*/original")]
    put_back(quick, saved)
    (remark,) = (each for each in check(quick).remarks if "older ledger" in each)
    assert "1 original(s)" in remark
    assert sweep(quick) == []
    check_books(quick, dropped)
    assert ["early.tif", "harbour/late.tif"] == files(quick.path / "out" / CANVAS)


def test_an_original_that_was_under_way_again_is_not_removed_with_its_ended_job(quick, tmp_path):
    """It was held when the ledger was saved, and released since."""
    data = drop(quick, "plain.tif", seed=1, size=24, profile=False).read_bytes()
    assert sweep(quick) == []
    saved = save(quick, tmp_path / "saved.sqlite")
    (record,) = records(quick)
    job = record["job"]
    shutil.move(quick.path / "held" / CANVAS / job, quick.path / "release" / CANVAS / job)
    shutil.rmtree(quick.private / "kept")
    acts = sweep_in_child(copied(quick, tmp_path / "counted"))
    number = max(n for n, act in enumerate(acts, 1) if act == "advance" and n < len(acts) // 2)
    assert sweep_in_child(quick, number, after=True) is None
    assert [data] == [each.read_bytes() for each in quick.spool.glob("*/original")]
    put_back(quick, saved)
    assert sweep(quick) == []
    assert data == Path(records(quick)[-1]["original_kept"]).read_bytes()
    assert [] == list(quick.spool.iterdir())


def test_an_original_brought_near_since_is_brought_back_for_its_job(quick, tmp_path):
    """The ledger was saved when the job was claimed; the kill came before its end was planned."""
    drop(quick, "reeds.tif", seed=1, size=24)
    dropped = dropped_hashes(quick.path / "in" / CANVAS)

    def find_changes():
        acts = sweep_in_child(copied(quick, tmp_path / "counted"))
        shutil.rmtree(tmp_path / "counted")
        return [number for number, act in enumerate(acts, 1) if act == "advance"]

    claimed, *_ = find_changes()
    assert sweep_in_child(quick, claimed, after=True) is None
    saved = save(quick, tmp_path / "saved.sqlite")
    _, _, publishing, *_ = find_changes()
    assert sweep_in_child(quick, publishing - 1, after=True) is None
    assert 1 == len(list((quick.path / "originals" / CANVAS).glob(".hotfolder-*-original")))
    put_back(quick, saved)
    assert sweep(quick) == []
    check_books(quick, dropped)


@pytest.mark.parametrize("old", ["empty", "one act before"])
def test_a_ledger_of_any_earlier_moment_loses_no_file_and_delivers_none_twice(
    filled, tmp_path, old, every_act
):
    dropped = dropped_hashes(filled.path / "in" / CANVAS)
    assert sweep_in_child(copied(filled, tmp_path / "first"), 1, after=False) is None
    acts = sweep_in_child(copied(filled, tmp_path / "counted"))
    assert acts is not None
    turn = int(old == "empty")
    for number in choose(acts, SAMPLE, every=every_act, turn=turn, first=2):
        root = copied(filled, tmp_path / f"killed-{number}")
        if old == "empty":
            Ledger(root.ledger).close()
            saved = save(root, tmp_path / f"saved-{number}.sqlite")
        else:
            earlier = copied(filled, tmp_path / f"earlier-{number}")
            shutil.rmtree(root.path)
            assert sweep_in_child(earlier, max(2, number // 2), after=True) is None
            saved = save(earlier, tmp_path / f"saved-{number}.sqlite")
            earlier.path.rename(root.path)
        sweep_in_child(root, number, after=True)
        published = set(files(root.path / "out"))
        put_back(root, saved)
        assert sweep_in_child(root) is not None, f"after act {number}, {acts[number - 1]}"
        check_books(root, dropped)
        assert published <= set(files(root.path / "out"))
        shutil.rmtree(root.path)


def test_a_batch_that_came_since_rests_until_its_ticket_comes_again(root, tmp_path):
    batches.as_book(root)
    batches.picture(root, "reeds.tif", "spring", seed=1)
    batches.ticket(root, ["reeds.tif,1,,30 mm,,"], "spring")
    batches.sweep(root)
    saved = save(root, tmp_path / "saved.sqlite")
    batches.picture(root, "mud.tif", seed=2)
    batches.picture(root, "wrack.tif", seed=3)
    ticket = batches.ticket(
        root, ["mud.tif,2,,20 mm,,", "wrack.tif,3,,20 mm,,", "late.tif,4,,9 mm,,"]
    )
    said = ticket.read_bytes()
    batches.sweep(root)
    assert 3 == len(records(root))
    put_back(root, saved)
    assert [] == batches.sweep(root).troubles()
    assert 3 == len(records(root))
    (remark,) = (each for each in check(root).remarks if "estuary" in each)
    assert "3 files of the batch estuary" in remark
    assert "drop the batch's ticket" in remark
    ticket.write_bytes(said)
    batches.picture(root, "late.tif", seed=4)
    batches.sweep(root)
    assert 4 == len(records(root))
    assert not [each for each in check(root).remarks if "estuary" in each]


def test_a_claim_of_then_whose_file_was_put_away_since_is_forgotten(root, tmp_path):
    """The ledger was saved between a batch file's claim and its place among the originals."""
    batches.as_book(root)
    batches.picture(root, "mud.tif", seed=2)
    acts = sweep_in_child(copied(root, tmp_path / "counted"))
    number = next(n for n, act in enumerate(acts, 1) if act == "advance")
    assert sweep_in_child(root, number, after=True) is None
    saved = save(root, tmp_path / "saved.sqlite")
    batches.sweep(root)
    put_back(root, saved)
    assert [] == batches.sweep(root).troubles()
    assert [] == read_jobs(root.ledger)
    assert ["estuary/mud.tif"] == files(root.path / "originals" / CANVAS)


def test_a_wal_that_stayed_when_its_ledger_was_lost_is_set_aside(filled, tmp_path):
    dropped = dropped_hashes(filled.path / "in" / CANVAS)
    assert sweep(filled) == []
    with closing(sqlite3.connect(filled.ledger)) as db:
        db.execute("PRAGMA wal_autocheckpoint = 0")
        db.execute("CREATE TABLE mud (reeds TEXT)")
        db.executemany("INSERT INTO mud VALUES (?)", [("x" * 4000,)] * 50)
        db.commit()
        wal = filled.ledger.with_name(f"{filled.ledger.name}-wal")
        kept = wal.read_bytes()
    assert kept
    for each in filled.private.glob("ledger.sqlite*"):
        each.unlink()
    wal.write_bytes(kept)
    assert sweep(filled) == []
    check_books(filled, dropped)
    with closing(sqlite3.connect(filled.ledger)) as db:
        assert [("ok",)] == db.execute("PRAGMA integrity_check").fetchall()
    assert [kept] == [each.read_bytes() for each in filled.private.glob("ledger.damaged-*-wal")]


def test_a_share_that_is_away_puts_off_only_its_own_destination(quick, tmp_path):
    drop(quick, "early.tif", seed=1, size=24)
    assert sweep(quick) == []
    saved = save(quick, tmp_path / "saved.sqlite")
    drop(quick, "late.tif", seed=2, size=24)
    assert sweep(quick) == []
    put_back(quick, saved)
    held, away = quick.path / "held" / CANVAS, tmp_path / "away"
    held.rename(away)
    sweep(quick)
    assert 1 == len(read_jobs(quick.ledger, ended=True))
    away.rename(held)
    assert sweep(quick) == []
    assert 2 == len(read_jobs(quick.ledger, ended=True)) == len(records(quick))


def test_a_ledger_that_cannot_be_compared_says_where(quick, tmp_path, monkeypatch):
    drop(quick, "early.tif", seed=1, size=24)
    assert sweep(quick) == []

    def fail(*_args, **_options):
        raise OSError(5, "Input/output error", "the spool")

    monkeypatch.setattr("hotfolder.daemon.take_up._has_strangers", fail)
    with pytest.raises(StorageError, match=r"cannot be compared .* the spool"):
        sweep(quick)
