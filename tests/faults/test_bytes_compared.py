"""Nothing is removed because a name says that there is another copy: bytes are compared."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest

from batch.conftest import BOOK, as_book, picture, ticket
from batch.conftest import sweep as sweep_book
from faults.serving import CANVAS, candidate, sweep
from faults.test_claim import Desk
from hotfolder.daemon.rebuild import open_ledger
from hotfolder.disk import durable, trees
from hotfolder.ending import deliver
from hotfolder.ending.kept import KeptOriginals
from hotfolder.intake.claim import ORIGINAL
from hotfolder.ledger.details import Claiming
from hotfolder.settings.tables import Folders
from whole.conftest import drop, files, records


def test_a_good_copy_of_a_damaged_original_is_kept_and_its_jobs_go_on(root):
    book = as_book(root)
    data = picture(book, "reeds.tif").read_bytes()
    sweep_book(book)
    kept = book.path / "originals" / BOOK / "estuary/reeds.tif"
    kept.write_bytes(data[:-1] + b"\0")
    damaged = kept.read_bytes()
    ticket(book, ["reeds.tif,1,,20 mm,,"])
    assert "drop it into the batch's hot folder again" in sweep_book(book).troubles()[0]
    (book.path / "in" / BOOK / "estuary/reeds.tif").write_bytes(data)
    assert sweep_book(book).troubles() == []
    (record,) = records(book, BOOK)
    assert data == Path(record["original_kept"]).read_bytes()
    assert damaged == kept.read_bytes()
    assert ["estuary/001-1.tif"] == [n for n in files(book.path / "out" / BOOK) if "001" in n]
    # and once more: now there is a good one
    (book.path / "in" / BOOK / "estuary/reeds.tif").write_bytes(data)
    assert sweep_book(book).troubles() == []
    assert 3 == len(files(book.path / "originals" / BOOK))


def test_a_released_original_is_kept_though_the_batchs_own_was_damaged(root):
    book = as_book(root)
    path = book.destinations / f"{BOOK}.toml"
    limit = "[stage.preflight]\nhold_below_ppi = 5000\n[stage.sizing]"
    path.write_text(path.read_text().replace("[stage.sizing]", limit))
    data = picture(book, "reeds.tif").read_bytes()
    ticket(book, ["reeds.tif,1,,20 mm,,"])
    sweep_book(book)
    (held,) = records(book, BOOK)
    Path(held["placement"]["kept"]).write_bytes(b"mud")
    (book.path / "held" / BOOK / held["job"]).rename(book.path / "release" / BOOK / held["job"])
    assert sweep_book(book).troubles() == []
    record = records(book, BOOK)[-1]
    assert "delivered" == record["state"]
    assert data == Path(record["original_kept"]).read_bytes()


def test_a_file_set_aside_is_not_removed_for_a_copy_of_other_bytes(elsewhere, tmp_path):
    desk = Desk(elsewhere / "in", tmp_path / "private/spool")
    path = desk.folder / "reeds.tif"
    path.write_bytes(b"reeds")
    found = candidate(desk.folder, "reeds.tif")
    row = desk.ledger.add(
        "20260131-235959-0123abcd",
        "canvas",
        b"reeds.tif",
        "file",
        found.identity.size,
        Claiming(dev=0, ino=0, size=0, mtime_ns=0, nlink=1),
    )
    path.rename(path.with_name(f".hotfolder-{row.id}"))
    (desk.spool / row.id).mkdir()
    desk.original(row).write_bytes(b"damaged")
    desk.recover()
    assert b"reeds" == path.read_bytes()
    assert b"damaged" == desk.original(row).read_bytes()
    desk.ledger.close()


def test_a_rebuilt_ledger_removes_nothing_for_a_copy_of_other_bytes(quick):
    job = "20260131-235959-0123abcd"
    aside = quick.path / "in" / CANVAS / f".hotfolder-{job}"
    aside.write_bytes(b"aside")
    near = quick.path / "originals" / CANVAS / f".hotfolder-{job}-original"
    near.write_bytes(b"near")
    place = quick.spool / job
    place.mkdir(parents=True)
    (place / ORIGINAL).write_bytes(b"spool")
    open_ledger(quick, {CANVAS: quick.folders(CANVAS, Folders())}).close()
    assert sweep(quick) == []
    found = {path.read_bytes() for path in quick.path.rglob("*") if path.is_file()}
    assert {b"aside", b"near", b"spool"} <= found
    assert [] == list((quick.path / "in").rglob(".hotfolder-2*"))


def test_a_rebuilt_ledger_removes_no_original_of_a_release_that_no_log_knows(quick):
    place = quick.spool / "20260131-235959-0123abcd"
    (place / "held").mkdir(parents=True)
    (place / "held/reeds.tif").write_bytes(b"reeds")
    (place / "held/why.txt").write_text("because")
    open_ledger(quick, {CANVAS: quick.folders(CANVAS, Folders())}).close()
    assert sweep(quick) == []
    (record,) = records(quick)
    assert b"reeds" == Path(record["original_kept"]).read_bytes()


def held_job(root):
    drop(root, "plain.tif", profile=False, size=24)
    assert sweep(root) == []
    (record,) = records(root)
    return record, root.path / "held" / CANVAS / record["job"]


def test_what_a_person_put_into_a_held_folder_is_not_removed_by_its_release(quick):
    record, folder = held_job(quick)
    (folder / "edited.tif").write_bytes(b"edited")
    (folder / "my notes").mkdir()
    (folder / "my notes/why.txt").write_text("mine")
    release = quick.path / "release" / CANVAS / record["job"]
    folder.rename(release)
    assert sweep(quick) == []
    assert ["edited.tif", "my notes/why.txt"] == [
        name for name in files(release) if name in {"edited.tif", "my notes/why.txt"}
    ]


def test_a_file_saved_into_a_folder_while_it_is_moved_to_another_disk_stays(
    elsewhere, tmp_path, monkeypatch
):
    from hotfolder.ending import release

    source, target = elsewhere / "job", tmp_path / "job"
    source.mkdir()
    (source / "reeds.tif").write_bytes(b"reeds")
    move = trees.move_any_new  # of a folder's files

    def and_save(one, other):
        move(one, other)
        (source / "late.tif").write_bytes(b"late")

    with monkeypatch.context() as patch:
        patch.setattr(trees, "move_any_new", and_save)
        with contextlib.suppress(OSError):
            release.move_folder(source, target)
    assert b"late" == next(elsewhere.parent.rglob("late.tif"), target / "late.tif").read_bytes()
    release.move_folder(source, target)
    assert ["late.tif", "reeds.tif"] == files(target)


def test_a_kept_copy_goes_only_when_the_original_is_where_the_record_says(tmp_path):
    kept = KeptOriginals(tmp_path / "kept")
    source = tmp_path / "reeds.tif"
    source.write_bytes(b"reeds")
    sha256 = durable.sha256_of(source).sha256
    kept.store("job", source, "reeds.tif")
    source.write_bytes(b"mud")
    kept.forget_if_kept_at("job", source, sha256)
    assert ["job"] == kept.jobs()
    source.write_bytes(b"reeds")
    kept.forget_if_kept_at("job", source, sha256)
    assert [] == kept.jobs()


def test_an_original_copied_into_release_leaves_no_second_one_behind(quick):
    drop(quick, "mud.tif", size=24)
    file = quick.destinations / f"{CANVAS}.toml"
    text = file.read_text().replace('["profile', '["preflight", "profile')
    file.write_text(f"{text}\n[stage.preflight]\nhold_below_ppi = 5000\n")
    assert sweep(quick) == []
    (record,) = records(quick)
    kept = Path(record["original_kept"])
    (quick.path / "release" / CANVAS / kept.name).write_bytes(kept.read_bytes())
    assert sweep(quick) == []
    assert "delivered" == records(quick)[-1]["state"]
    assert [] == files(quick.path / "release")


def test_a_file_written_anew_is_believed_only_with_its_bytes(tmp_path):
    path = tmp_path / "reeds.tif"
    path.write_bytes(b"reeds")
    sha256 = durable.sha256_of(path).sha256
    # a flush had failed, and a kill came when what it was written anew from had been read wrongly
    path.rename(durable._doubtful(path))
    path.write_bytes(b"mud")
    durable.flush(path, sha256)
    assert b"reeds" == path.read_bytes()


def test_a_copy_near_its_place_is_believed_before_a_source_that_was_damaged(tmp_path):
    source, near = tmp_path / "original", tmp_path / "near"
    near.write_bytes(b"reeds")
    sha256 = durable.sha256_of(near).sha256
    source.write_bytes(b"mud")
    deliver._move_near(source, near, sha256)
    assert b"reeds" == near.read_bytes()
    near.write_bytes(b"sand")
    with pytest.raises(OSError, match="it has changed"):
        deliver._move_near(source, near, sha256)
    assert (b"mud", b"sand") == (source.read_bytes(), near.read_bytes())
