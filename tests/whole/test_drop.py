"""Giving a held job up by deleting its folder: said in the record, its original still kept."""

import json
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from faults.serving import sweep
from hotfolder.disk.marker import MARKER
from hotfolder.ending.discard import Discards
from hotfolder.ending.kept import KeptOriginals
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import Ledger
from hotfolder.ledger.record_log import RecordLog
from hotfolder.settings.tables import Folders
from whole.conftest import drop, files, records, write_destination

pytestmark = pytest.mark.whole

NAME = "fine-art-canvas"
LIMIT = "[stage.preflight]\nhold_below_ppi = 5000\n[stage.sizing]"


@pytest.fixture
def held(small):
    """A root with one held job; the root, its record and the bytes of its original."""
    write_destination(small, **{"[stage.sizing]": LIMIT})
    data = drop(small, "mud.tif").read_bytes()
    assert sweep(small) == []
    (record,) = records(small)
    return small, record, data


def folder_of(root, record):
    return root.path / "held" / NAME / record["job"]


def keep(root, time):
    path = root.path / "hotfolder.toml"
    path.write_text(
        path.read_text().replace('keep_discarded = "30 d"', f'keep_discarded = "{time}"')
    )


def log(root):
    return [json.loads(line) for line in root.log.read_text().splitlines()]


def test_it_is_said_once_and_the_original_is_kept_for_the_set_time(held, hotfolder):
    root, record, data = held
    shutil.rmtree(folder_of(root, record))
    for _ in range(2):
        assert hotfolder("sweep", root.path).returncode == 0
    first, second = records(root)
    assert record == first
    assert ("held", record["job"]) == (second["state"], second["job"])
    assert first["discarded"] is None
    noticed, until = (
        datetime.fromisoformat(second["discarded"][key])
        for key in ("noticed", "original_kept_until")
    )
    assert timedelta(days=30) == pytest.approx(until - noticed, abs=timedelta(milliseconds=1))
    assert data == Path(second["original_kept"]).read_bytes()
    status = json.loads(hotfolder("status", root.path, "--json").stdout)
    counts = status["destinations"][NAME]
    assert (0, 1, []) == (counts["held"], counts["discarded"], status["waiting"])
    assert hotfolder("audit", root.path, "--verify").returncode == 0
    done = hotfolder("release", record["job"], root.path)
    assert done.returncode == 4
    assert "was discarded" in " ".join(done.stderr.split())


@pytest.mark.parametrize("lost", ["the folder is empty", "the folder is gone"])
@pytest.mark.parametrize("kind", ["held", "release"])
def test_a_share_that_is_away_is_no_drop(held, hotfolder, lost, kind):
    root, record, _ = held
    folder, away = root.path / kind / NAME, root.path / "away"
    ledger = Ledger(root.ledger)
    drops = Discards(ledger, RecordLog(ledger), KeptOriginals(root.kept), 9.0)
    if kind == "release":  # on its way: in release, which is not connected
        shutil.move(folder_of(root, record), folder)
    folder.rename(away)
    if lost == "the folder is empty":
        folder.mkdir()
    with pytest.raises(StorageError):
        drops.look(NAME, root.folders(NAME, Folders()))
    if lost == "the folder is empty":
        folder.rmdir()
    away.rename(folder)
    drops.look(NAME, root.folders(NAME, Folders()))
    ledger.close()
    assert [record] == records(root)
    assert (folder / MARKER).exists()


def test_after_the_set_time_the_original_is_removed_and_the_log_says_so(held, hotfolder):
    root, record, _ = held
    keep(root, "1 ms")
    shutil.rmtree(folder_of(root, record))
    for _ in range(2):
        assert hotfolder("sweep", root.path).returncode == 0
    assert [] == files(root.kept)
    (removed,) = (each for each in log(root) if each["event"] == "original.removed")
    assert (record["job"], "mud.tif") == (removed["job"], removed["file"])
    assert hotfolder("audit", root.path, "--verify").returncode == 0


def test_nothing_is_kept_where_the_settings_say_so(small, hotfolder):
    keep(small, "0 s")
    drop(small, "plain.tif", profile=False)
    assert hotfolder("sweep", small.path).returncode == 3
    assert [] == files(small.kept)
    (record,) = records(small)
    shutil.rmtree(folder_of(small, record))
    assert hotfolder("sweep", small.path).returncode == 0
    assert records(small)[1]["discarded"]["original_kept_until"] is None


def test_an_editor_that_writes_into_the_held_original_does_not_reach_the_kept_one(held, hotfolder):
    root, record, data = held
    with Path(record["original_kept"]).open("r+b") as file:
        file.write(b"scribble")
    shutil.rmtree(folder_of(root, record))
    assert hotfolder("sweep", root.path).returncode == 0
    assert data == Path(records(root)[1]["original_kept"]).read_bytes()


def test_a_folder_that_was_only_carried_away_can_still_be_released(held, hotfolder):
    root, record, _ = held
    made = Path(record["results"][0]["path"]).read_bytes()
    shutil.move(folder_of(root, record), root.path / "desk")
    assert hotfolder("sweep", root.path).returncode == 0
    shutil.move(root.path / "desk", root.path / "release" / NAME / record["job"])
    assert hotfolder("sweep", root.path).returncode == 0
    last = records(root)[2]
    assert ("delivered", None) == (last["state"], last["discarded"])
    assert made == (root.path / "out" / NAME / "mud.tif").read_bytes()
    assert [] == files(root.kept)


def test_an_edited_file_is_tied_to_the_job_that_was_dropped(held, hotfolder):
    root, record, _ = held
    shutil.rmtree(folder_of(root, record))
    write_destination(root)
    drop(root, "mud.tif", seed=5)
    assert hotfolder("sweep", root.path).returncode == 0
    (again,) = (each for each in records(root) if each["state"] == "delivered")
    assert [record["job"]] == again["earlier_jobs"]


def test_a_job_that_is_held_again_after_its_release_can_be_dropped(small, hotfolder):
    drop(small, "plain.tif", profile=False)
    assert hotfolder("sweep", small.path).returncode == 3
    (record,) = records(small)
    shutil.move(folder_of(small, record), small.path / "release" / NAME)
    assert hotfolder("sweep", small.path).returncode == 3
    shutil.rmtree(folder_of(small, record))
    assert hotfolder("sweep", small.path).returncode == 0
    *_, last = records(small)
    assert last["discarded"]
    assert Path(last["original_kept"]).exists()


@pytest.mark.parametrize("when", ["before", "after"])
def test_what_a_fault_interrupts_is_said_once_all_the_same(held, monkeypatch, when):
    root, record, _ = held
    shutil.rmtree(folder_of(root, record))
    ledger = Ledger(root.ledger)
    book = RecordLog(ledger)
    drops = Discards(ledger, book, KeptOriginals(root.kept), 9.0)
    real = book.end

    def fails(*arguments, **options):
        if when == "after":
            real(*arguments, **options)
        raise OSError(5, "the disk is away")

    monkeypatch.setattr(book, "end", fails)
    with pytest.raises(StorageError, match="the disk is away"):
        drops.look(NAME, root.folders(NAME, Folders()))
    monkeypatch.undo()
    for _ in range(2):
        drops.look(NAME, root.folders(NAME, Folders()))
    ledger.close()
    assert [None, True] == [each["discarded"] and True for each in records(root)]
