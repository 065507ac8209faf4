"""A ledger that is lost or damaged, at any moment: rebuilt from the folders, nothing twice."""

from __future__ import annotations

import json
import shutil
import sqlite3
from pathlib import Path

import pytest

from faults.killing import check_books, choose, copied, dropped_hashes, sweep_in_child
from faults.serving import CANVAS, sweep
from hotfolder.ending.deliver import PLAN_FILE
from hotfolder.errors import StorageError
from hotfolder.ledger.details import Publishing
from hotfolder.ledger.jobs import State, read_jobs
from hotfolder.model.records import Record
from whole.conftest import drop, files, records

SAMPLE = 4


def gone(ledger: Path) -> None:
    for each in ledger.parent.glob("ledger.sqlite*"):
        each.unlink()


def garbage(ledger: Path) -> None:
    gone(ledger)
    ledger.write_bytes(b"mud" * 5000)


def flipped(ledger: Path) -> None:
    """Every page but the first is spoilt, as by a bad disk."""
    with sqlite3.connect(ledger) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()
    data = bytearray(ledger.read_bytes())
    for at in range(4096, len(data)):
        data[at] ^= 0x5A
    gone(ledger)
    ledger.write_bytes(data)


def empty(ledger: Path) -> None:
    gone(ledger)
    ledger.touch()


DAMAGES = {"gone": gone, "garbage": garbage, "flipped": flipped, "empty": empty}


@pytest.mark.parametrize("how", DAMAGES)
def test_what_had_ended_is_known_again_and_nothing_is_done_twice(filled, how):
    dropped = dropped_hashes(filled.path / "in" / CANVAS)
    assert sweep(filled) == []
    before = {row.id: row.record_text for row in read_jobs(filled.ledger, ended=True)}
    DAMAGES[how](filled.ledger)
    assert sweep(filled) == []
    assert before == {row.id: row.record_text for row in read_jobs(filled.ledger, ended=True)}
    check_books(filled, dropped)
    aside = [path.name for path in filled.private.glob("ledger.damaged-*.sqlite")]
    assert len(aside) == (how != "gone")
    drop(filled, "later.tif", seed=9, size=24)
    assert sweep(filled) == []
    assert len(records(filled)) == len(before) + 1


@pytest.mark.parametrize("how", DAMAGES)
@pytest.mark.parametrize("kind", ["out", "held"])
def test_no_ledger_is_made_anew_while_a_share_is_away_that_knows_of_jobs(filled, how, kind):
    dropped = dropped_hashes(filled.path / "in" / CANVAS)
    assert sweep(filled) == []
    before = {row.id: row.record_text for row in read_jobs(filled.ledger, ended=True)}
    DAMAGES[how](filled.ledger)
    folder, away = filled.path / kind / CANVAS, filled.path / "away"
    folder.rename(away)
    with pytest.raises(StorageError, match=kind):
        sweep(filled)
    away.rename(folder)
    assert sweep(filled) == []
    assert before == {row.id: row.record_text for row in read_jobs(filled.ledger, ended=True)}
    check_books(filled, dropped)


@pytest.mark.parametrize("how", ["gone", "flipped"])
def test_a_ledger_lost_at_any_act_loses_no_file_and_delivers_none_twice(
    filled, tmp_path, how, every_act
):
    dropped = dropped_hashes(filled.path / "in" / CANVAS)
    acts = sweep_in_child(copied(filled, tmp_path / "counted"))
    assert acts is not None
    turn = int(how == "gone")
    for number in choose(acts, SAMPLE, every=every_act, turn=turn, first=2):
        root = copied(filled, tmp_path / f"killed-{number}")
        assert sweep_in_child(root, number, after=True) is None
        published = set(files(root.path / "out"))
        DAMAGES[how](root.ledger)
        assert sweep_in_child(root) is not None, f"after act {number}, {acts[number - 1]}"
        check_books(root, dropped)
        assert published <= set(files(root.path / "out"))
        shutil.rmtree(root.path)


def killed_with_an_original_in_the_spool(root, tmp_path):
    """The first act after which a job is claimed and not yet published."""
    acts = sweep_in_child(copied(root, tmp_path / "counted"))
    assert acts is not None
    number = next(n for n, act in enumerate(acts, 1) if act == "advance")
    assert sweep_in_child(root, number, after=True) is None
    (original,) = root.spool.glob("*/original")
    return original


def test_a_job_in_work_is_held_with_the_reason_and_can_be_released(quick, tmp_path):
    drop(quick, "harbour/mud.tif", size=24)
    original = killed_with_an_original_in_the_spool(quick, tmp_path)
    gone(quick.ledger)
    assert sweep(quick) == []
    (record,) = records(quick)
    assert ("held", "harbour/mud.tif", "ledger-lost") == (
        record["state"],
        record["source"],
        record["reasons"][0]["code"],
    )
    assert not original.exists()
    shutil.move(
        Path(record["original_kept"]).parent, quick.path / "release" / CANVAS / record["job"]
    )
    assert sweep(quick) == []
    assert ["mud.tif"] == [Path(name).name for name in files(quick.path / "out")]


def test_a_picture_that_was_delivered_before_says_so_when_it_is_held(quick, tmp_path):
    path = drop(quick, "mud.tif", size=24)
    again = path.read_bytes()
    assert sweep(quick) == []
    path.write_bytes(again)
    killed_with_an_original_in_the_spool(quick, tmp_path)
    gone(quick.ledger)
    assert sweep(quick) == []
    first, second = records(quick)
    assert "held" == second["state"]
    assert f"delivered here before, as job {first['job']}" in second["reasons"][0]["message"]


def test_a_job_whose_note_is_gone_too_is_kept_and_held(quick, tmp_path):
    path = drop(quick, "mud.tif", size=24)
    data = path.read_bytes()
    original = killed_with_an_original_in_the_spool(quick, tmp_path)
    (original.parent / "job.json").write_bytes(b"")
    gone(quick.ledger)
    assert sweep(quick) == []
    (record,) = records(quick)
    assert "held" == record["state"]
    assert data == Path(record["original_kept"]).read_bytes()


def test_a_newer_ledger_is_not_touched(filled):
    assert sweep(filled) == []
    with sqlite3.connect(filled.ledger) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    before = filled.ledger.read_bytes()
    with pytest.raises(StorageError, match="written by a newer hotfolder"):
        sweep(filled)
    assert before == filled.ledger.read_bytes()
    assert list(filled.private.glob("ledger.damaged*")) == []


def test_a_log_that_cannot_be_reached_stops_the_rebuilding_and_changes_nothing(filled):
    assert sweep(filled) == []
    garbage(filled.ledger)
    (filled.path / "held" / CANVAS).rename(filled.path / "held/away")
    (filled.path / "held" / CANVAS).symlink_to(filled.path / "nowhere")
    from hotfolder.daemon.rebuild import open_ledger
    from hotfolder.settings.tables import Folders

    folders = {CANVAS: filled.folders(CANVAS, Folders())}
    with pytest.raises(StorageError, match="cannot be rebuilt"):
        open_ledger(filled, folders)
    assert filled.ledger.read_bytes().startswith(b"mud")


def test_a_line_that_is_no_record_is_passed_over(filled):
    assert sweep(filled) == []
    log = filled.path / "out" / CANVAS / "log.jsonl"
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(lines[0] + b"mud\n" + b"".join(lines[1:]))
    gone(filled.ledger)
    assert sweep(filled) == []
    assert {json.loads(line)["job"] for line in lines} == {
        row.id for row in read_jobs(filled.ledger, ended=True)
    }


def test_a_held_folder_that_was_being_put_in_place_gets_its_name_and_is_not_given_up(quick):
    log = quick.path / "out" / CANVAS / "log.jsonl"
    drop(quick, "good.tif")
    sweep(quick)
    said = log.read_bytes()
    drop(quick, "plain.tif", profile=False)
    sweep(quick)
    record = records(quick)[1]
    folder = quick.path / "held" / CANVAS / record["job"]
    folder.rename(folder.with_name(f".hotfolder-{folder.name}"))
    log.write_bytes(said)
    plan = Publishing(
        state=State.HELD,
        moves=(),
        record=Record.model_validate({**record, "previous_sha256": None}),
        log=str(log),
        folder=str(folder),
    )
    place = quick.spool / record["job"]
    place.mkdir()
    (place / PLAN_FILE).write_text(plan.model_dump_json())
    gone(quick.ledger)
    sweep(quick)
    assert folder.is_dir()
    _, again = records(quick)
    assert again["discarded"] is None
