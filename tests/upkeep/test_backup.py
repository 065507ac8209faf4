"""Copying a root and putting it back: whole, verified, nothing lost and nothing delivered twice."""

from __future__ import annotations

import json
import shutil
import sqlite3
import time
from contextlib import closing
from itertools import count
from pathlib import Path

import pytest

from faults.conftest import filled, loaded, quick  # noqa: F401
from faults.killing import check_books, copied, dropped_hashes, sweep_in_child
from faults.serving import CANVAS, DEADLINE_S, serving, sweep
from hotfolder.errors import RootInUse, SettingsError, StorageError
from hotfolder.ledger.jobs import read_jobs
from hotfolder.overview.new_root import make_root
from hotfolder.settings.root import Root
from hotfolder.upkeep.backup import back_up
from hotfolder.upkeep.copies import MANIFEST
from hotfolder.upkeep.restore import put_back
from whole.conftest import drop, drop_with_sidecar, files, hotfolder, records

__all__ = ["filled", "hotfolder", "quick"]

pytestmark = pytest.mark.slow


@pytest.fixture
def copy(filled, tmp_path):
    """A copy of a root with jobs that ended in three ways."""
    assert sweep(filled) == []
    return Path(back_up(filled, tmp_path / "copy")["place"])


def test_a_copy_put_back_elsewhere_is_the_root_as_it_was(filled, copy, tmp_path, hotfolder):
    there = Root(tmp_path / "there")
    done = hotfolder("restore", copy, there.path)
    assert done.returncode == 0, done.stderr
    shutil.rmtree(filled.path)
    assert hotfolder("audit", there.path, "--verify").returncode == 0
    drop(there, "later.tif", seed=9, size=24)
    assert sweep(there) == []
    assert 5 == len(records(there)) == len(read_jobs(there.ledger, ended=True))


def test_what_is_under_way_is_copied_and_goes_on(filled, tmp_path):
    dropped = dropped_hashes(filled.path / "in" / CANVAS)
    acts = sweep_in_child(copied(filled, tmp_path / "counted"))
    for number in range(2, len(acts) + 1, max(1, len(acts) // 8)):
        root = copied(filled, tmp_path / f"killed-{number}")
        assert sweep_in_child(root, number, after=True) is None
        back_up(root, tmp_path / f"copy-{number}")
        there = Root(tmp_path / f"there-{number}")
        put_back(tmp_path / f"copy-{number}", there, over=False)
        for each in (root, there):
            assert sweep_in_child(each) is not None
            check_books(each, dropped)


def test_yesterdays_copy_over_todays_root_loses_nothing_and_delivers_nothing_twice(
    filled, copy, hotfolder
):
    drop(filled, "late.tif", seed=7, size=24)
    assert sweep(filled) == []
    before = {row.id: row.record_text for row in read_jobs(filled.ledger, ended=True)}
    out = files(filled.path / "out")
    done = hotfolder("restore", copy, filled.path, "--over")
    assert done.returncode == 0, done.stderr
    assert "log.jsonl stays" in done.stdout
    assert sweep(filled) == []
    assert before == {row.id: row.record_text for row in read_jobs(filled.ledger, ended=True)}
    assert (5, out) == (len(records(filled)), files(filled.path / "out"))


def test_what_waited_then_and_is_done_now_is_not_put_back(filled, tmp_path):
    dropped = dropped_hashes(filled.path / "in" / CANVAS)
    acts = sweep_in_child(copied(filled, tmp_path / "counted"))
    for number in range(2, len(acts) + 1, max(1, len(acts) // 6)):
        root = copied(filled, tmp_path / f"killed-{number}")
        assert sweep_in_child(root, number, after=True) is None
        back_up(root, tmp_path / f"copy-{number}")
        assert sweep_in_child(root) is not None
        put_back(tmp_path / f"copy-{number}", root, over=True)
        assert sweep_in_child(root) is not None
        shutil.rmtree(next(root.private.glob("before-restore-*")))
        check_books(root, dropped)


def put_back_a_copy_of(quick, tmp_path, is_meant, *, after):
    """Kill at the first act at which a root is as meant; copy it, go on, and put the copy back."""
    dropped = dropped_hashes(quick.path / "in" / CANVAS)
    for number in count(1):
        root = copied(quick, tmp_path / f"killed-{number}")
        assert sweep_in_child(root, number, after=after) is None, "no act leaves it so"
        if is_meant(root):
            break
    back_up(root, tmp_path / "copy")
    assert sweep(root) == []
    put_back(tmp_path / "copy", root, over=True)
    assert sweep(root) == []
    shutil.rmtree(next(root.private.glob("before-restore-*")))
    check_books(root, dropped)


def test_a_sidecar_whose_picture_had_just_been_taken_up_is_not_put_back(quick, tmp_path):
    drop_with_sidecar(quick, "mud.tif", size=24)

    def is_left(root):
        waiting = (root.path / "in" / CANVAS).glob("mud*")
        return ["mud.tif.xmp"] == [path.name for path in waiting]

    put_back_a_copy_of(quick, tmp_path, is_left, after=True)


def test_half_a_kept_copy_of_a_job_that_ended_since_is_not_put_back(quick, tmp_path):
    drop(quick, "plain.tif", profile=False, size=24)

    def has_half(root):
        return any(root.kept.glob("*/.hotfolder-*"))

    put_back_a_copy_of(quick, tmp_path, has_half, after=False)


def test_a_copy_put_into_a_new_folder_does_nothing_again_in_folders_that_went_on(quick, tmp_path):
    file, share = quick.destinations / f"{CANVAS}.toml", tmp_path / "share"
    kinds = {"hot_folder": "in", "results": "out", "held": "held", "release": "release"}
    lines = [f'{kind} = "{share / name}"' for kind, name in kinds.items()]
    file.write_text("\n".join([file.read_text(), "[folders]", *lines, ""]))
    for name in kinds.values():
        (share / name).mkdir(parents=True)
    make_root(quick.path)
    (share / "in/mud.tif").write_bytes(drop(quick, "mud.tif", size=24).read_bytes())
    (quick.path / "in" / CANVAS / "mud.tif").unlink()
    back_up(quick, tmp_path / "copy")
    assert sweep(quick) == []
    before = files(share)
    there = Root(tmp_path / "there")
    put_back(tmp_path / "copy", there, over=False)
    assert sweep(there) == []
    assert before == files(share)


def test_a_daemon_at_work_holds_still_for_a_copy_and_goes_on(quick, tmp_path):
    for number in range(12):
        drop(quick, f"{number}.tif", seed=number, size=24)
    dropped = dropped_hashes(quick.path / "in" / CANVAS)
    with serving(quick):
        ends_at = time.monotonic() + DEADLINE_S
        while not records(quick):  # on a busy machine a copy is made before a daemon has begun
            assert time.monotonic() < ends_at
            time.sleep(0.05)
        back_up(quick, tmp_path / "copy")
        with pytest.raises(RootInUse):
            put_back(tmp_path / "copy", quick, over=True)
    assert sweep(quick) == []
    check_books(quick, dropped)
    there = Root(tmp_path / "there")
    put_back(tmp_path / "copy", there, over=False)
    assert sweep(there) == []
    check_books(there, dropped)


def test_folders_elsewhere_are_copied_and_put_back(quick, tmp_path):
    file = quick.destinations / f"{CANVAS}.toml"
    share = tmp_path / "share"
    file.write_text(file.read_text() + f'[folders]\noriginals = "{share}/kept"\n')
    (share / "kept").mkdir(parents=True)
    make_root(quick.path)
    data = drop(quick, "mud.tif", size=24).read_bytes()
    assert sweep(quick) == []
    back_up(quick, tmp_path / "copy")
    shutil.rmtree(share)
    shutil.rmtree(quick.path)
    put_back(tmp_path / "copy", quick, over=False)
    assert data == (share / "kept/mud.tif").read_bytes()
    assert sweep(quick) == []


@pytest.mark.parametrize("what", ["file", "gone", "ledger", "manifest"])
def test_a_damaged_copy_is_refused_before_anything_is_written(copy, tmp_path, what):
    place = next((copy / "root/originals").rglob("mud.tif"))
    if what == "file":
        place.write_bytes(b"mud")
    elif what == "gone":
        place.unlink()
    elif what == "ledger":
        (copy / "root/.hotfolder/ledger.sqlite").write_bytes(b"mud" * 9000)
    else:
        (copy / MANIFEST).write_text("mud")
    there = Root(tmp_path / "there")
    with pytest.raises((StorageError, SettingsError), match=r"nothing was put back|can be read"):
        put_back(copy, there, over=False)
    assert not there.path.exists()


def test_a_root_that_is_not_empty_is_not_written_over_unasked(filled, copy):
    with pytest.raises(SettingsError, match="--over"):
        put_back(copy, filled, over=False)


def test_what_stands_in_the_way_is_set_aside(filled, copy):
    (filled.path / "hotfolder.toml").write_text("workers = 3\n")
    said = put_back(copy, filled, over=True)
    (aside,) = filled.private.glob("before-restore-*/root/hotfolder.toml")
    assert "workers = 3\n" == aside.read_text()
    assert any(str(aside) in each for each in said["kept"])
    assert sweep(filled) == []


def test_a_copy_takes_no_name_that_is_there_and_lies_in_no_folder_of_the_root(filled, tmp_path):
    (tmp_path / "there").mkdir()
    with pytest.raises(SettingsError, match="is there already"):
        back_up(filled, tmp_path / "there")
    with pytest.raises(SettingsError, match="lies in what is copied"):
        back_up(filled, filled.path / "copy")


def test_a_copy_that_names_places_outside_itself_is_refused(copy, tmp_path):
    manifest = copy / MANIFEST
    text = manifest.read_text()
    entry = {"path": "root/../../mud", "sha256": "0" * 64, "bytes": 1}
    manifest.write_text(text + json.dumps(entry) + "\n")
    with pytest.raises(SettingsError, match="paths in the copy"):
        put_back(copy, Root(tmp_path / "there"), over=False)


def test_a_link_that_was_dropped_is_copied_as_a_link(quick, tmp_path):
    (quick.path / "in" / CANVAS / "link.tif").symlink_to("/nowhere")
    back_up(quick, tmp_path / "copy")
    there = Root(tmp_path / "there")
    put_back(tmp_path / "copy", there, over=False)
    assert Path("/nowhere") == (there.path / "in" / CANVAS / "link.tif").readlink()


def test_the_copied_ledger_is_whole_and_says_that_it_is_a_copy(copy):
    with closing(sqlite3.connect(copy / "root/.hotfolder/ledger.sqlite")) as db:
        assert ("ok",) == db.execute("PRAGMA integrity_check").fetchone()
        said = db.execute("SELECT value FROM marks WHERE name = 'behind'").fetchone()
    assert ("a copy",) == said


def test_measurements_and_strips_are_copied_and_put_back(quick, tmp_path):
    kept = quick.measured / CANVAS / "kept" / "strip.txt"
    kept.parent.mkdir(parents=True)
    kept.write_text("a measurement")
    (quick.measured / CANVAS / "verdicts.jsonl").write_text("{}\n")
    strip = quick.strips / CANVAS / "12345678.json"
    strip.parent.mkdir(parents=True)
    strip.write_text("{}")
    back_up(quick, tmp_path / "copy")
    other = Root(tmp_path / "other")
    put_back(tmp_path / "copy", other, over=False)
    for each in (kept, quick.measured / CANVAS / "verdicts.jsonl", strip):
        there = other.path / each.relative_to(quick.path)
        assert each.read_bytes() == there.read_bytes()


def test_all_that_a_studio_put_into_its_root_is_copied_and_put_back(quick, tmp_path):
    of_a_studio = [
        "nests/canvas/nest.tif",
        "nests/canvas/log.jsonl",
        "out/taken-away/log.jsonl",
        "originals/taken-away/mud.tif",
        "letters/to the client.txt",
        ".hotfolder/display.jsonl",
        f"in/{CANVAS}/pause",
    ]
    for name in of_a_studio:
        (quick.path / name).parent.mkdir(parents=True, exist_ok=True)
        (quick.path / name).write_text(name)
    again = [".hotfolder/points/1.npy", ".hotfolder/status.json", ".hotfolder/hotfolder.log"]
    for name in again:
        (quick.path / name).parent.mkdir(parents=True, exist_ok=True)
        (quick.path / name).write_text("{}")
    back_up(quick, tmp_path / "copy")
    there = tmp_path / "there"
    put_back(tmp_path / "copy", Root(there), over=False)
    assert of_a_studio == [each for each in of_a_studio if (there / each).read_text() == each]
    assert [] == [each for each in again if (tmp_path / "copy/root" / each).exists()]


def test_folders_that_are_links_are_copied_as_before(quick, tmp_path):
    (quick.path / "out").rename(tmp_path / "big")
    (quick.path / "out").symlink_to(tmp_path / "big")
    data = drop(quick, "mud.tif", size=24).read_bytes()
    assert sweep(quick) == []
    before = files(tmp_path / "big")
    back_up(quick, tmp_path / "copy")
    assert before == files(tmp_path / "big")
    there = tmp_path / "there"
    put_back(tmp_path / "copy", Root(there), over=False)
    assert data == (there / f"originals/{CANVAS}/mud.tif").read_bytes()
    assert (there / f"out/{CANVAS}/mud.tif").is_file()


def begin_book(path):
    db = sqlite3.connect(path)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("CREATE TABLE given (number INTEGER)")
    db.execute("INSERT INTO given VALUES (1)")
    db.commit()
    return db


def numbers(path):
    with closing(sqlite3.connect(path)) as db:
        return [number for (number,) in db.execute("SELECT number FROM given")]


def test_a_stages_database_is_copied_whole_while_it_is_in_use(quick, tmp_path):
    book = quick.path / "editions.sqlite"
    with closing(begin_book(book)) as db:
        back_up(quick, tmp_path / "copy")
        db.execute("INSERT INTO given VALUES (2)")
        db.commit()
    copied = tmp_path / "copy/root/editions.sqlite"
    assert [1] == numbers(copied)
    assert [] == list(copied.parent.glob("editions.sqlite-*"))
    # an older book in the place of a newer one would give a number twice
    said = put_back(tmp_path / "copy", quick, over=True)
    assert [1, 2] == numbers(book)
    assert any("editions.sqlite stays" in each for each in said["kept"])
    there = Root(tmp_path / "there")
    put_back(tmp_path / "copy", there, over=False)
    assert [1] == numbers(there.path / "editions.sqlite")


def test_what_settings_name_elsewhere_is_named_as_left_out(quick, tmp_path, hotfolder):
    book, other = tmp_path / "editions.sqlite", quick.path / "editions.sqlite"
    begin_book(book).close()
    begin_book(other).close()
    file = quick.destinations / f"{CANVAS}.toml"
    stage = f'[stage.edition]\nbook = "{book}"\nother = "{other}"\nnone = "/nowhere/at/all"\n'
    file.write_text(file.read_text() + stage)
    aside = quick.private / "before-restore-20260101-000000/root"
    aside.mkdir(parents=True)
    done = hotfolder("backup", tmp_path / "copy", quick.path)
    assert done.returncode == 0, done.stderr
    left_out = [line for line in done.stdout.splitlines() if line.startswith("left out: ")]
    assert [
        (
            f"left out: {book}: it lies outside the root, and stage.edition.book in "
            f"destinations/{CANVAS}.toml names it; copy it yourself"
        ),
        f"left out: {aside.parent}: an earlier restore has set it aside",
    ] == left_out


def test_a_database_that_cannot_be_read_is_copied_as_it_lies_there(quick, tmp_path):
    book = quick.path / "editions.sqlite"
    book.write_bytes(b"SQLite format 3\0" + b"mud" * 400)
    book.with_name("editions.sqlite-wal").write_bytes(b"more mud")
    back_up(quick, tmp_path / "copy")
    for each in (book, book.with_name("editions.sqlite-wal")):
        assert each.read_bytes() == (tmp_path / "copy/root" / each.name).read_bytes()
