"""Consumers who take whole folders, and programs that take our temporary names, at any moment."""

from __future__ import annotations

import errno
import os
import signal
from pathlib import Path

import pytest

from faults.killing import check_books, dropped_hashes, in_a_child
from faults.serving import CANVAS, sweep
from hotfolder.disk import platforms, trees
from hotfolder.ledger.jobs import Ledger, State, read_jobs
from whole.conftest import drop, files, records

ADVANCE = Ledger.advance


@pytest.fixture
def collected(quick):
    """Folder `wedding` has a result that waits to be collected, so that it is there."""
    drop(quick, "wedding/first.tif", seed=5, size=24)
    assert sweep(quick) == []
    return quick


def take(root, to):
    """A consumer takes a folder of results away whole, with all that is in it."""
    folder = root.path / "out" / CANVAS / "wedding"
    if folder.exists() and not to.exists():
        folder.rename(to)


def before_publishing(monkeypatch, act):
    """Do something when all waits under temporary names and the ledger is about to say so."""

    def acted(self, job, state, *detail, **changes):
        if state is State.PUBLISHING:
            act()
        return ADVANCE(self, job, state, *detail, **changes)

    monkeypatch.setattr(Ledger, "advance", acted)


def killed_when_publishing_begins(root):
    """Sweep in a child that is killed when the ledger says ``publishing``, before any rename."""

    def work():
        def and_die(self, job, state, *detail, **changes):
            row = ADVANCE(self, job, state, *detail, **changes)
            if state is State.PUBLISHING:
                os.kill(os.getpid(), signal.SIGKILL)
            return row

        Ledger.advance = and_die
        sweep(root)

    _, status = in_a_child(work, 60)
    assert os.WIFSIGNALED(status)


def hidden(folder):
    return [
        path
        for path in folder.rglob(".hotfolder-*")
        if path.is_file() and path.name != ".hotfolder-folder"
    ]


def test_a_folder_taken_away_whole_while_a_result_waits_takes_no_result_along(
    collected, tmp_path, monkeypatch
):
    root, taken = collected, tmp_path / "taken"
    drop(root, "wedding/mud.tif", size=24)
    with monkeypatch.context() as patch:
        before_publishing(patch, lambda: take(root, taken))
        assert sweep(root) == []
    assert ["first.tif"] == files(taken)
    assert [] == hidden(taken)
    assert ["wedding/mud.tif"] == files(root.path / "out" / CANVAS)
    assert ["delivered", "delivered"] == [record["state"] for record in records(root)]


def test_a_folder_taken_away_whole_while_the_daemon_was_dead_takes_no_result_along(
    collected, tmp_path
):
    root, taken = collected, tmp_path / "taken"
    drop(root, "wedding/mud.tif", size=24)
    killed_when_publishing_begins(root)
    take(root, taken)
    assert sweep(root) == []
    assert [] == hidden(taken)
    assert ["wedding/mud.tif"] == files(root.path / "out" / CANVAS)


def test_a_folder_taken_away_whole_at_the_rename_of_a_result_has_it_once(
    collected, tmp_path, monkeypatch
):
    root, taken = collected, tmp_path / "taken"
    drop(root, "wedding/mud.tif", size=24)
    rename = platforms.rename_noreplace

    def and_take(source, target, **options):
        rename(source, target, **options)
        if str(target).endswith("out/fine-art-canvas/wedding/mud.tif"):
            take(root, taken)

    with monkeypatch.context() as patch:
        patch.setattr(platforms, "rename_noreplace", and_take)
        assert sweep(root) == []
    assert ["first.tif", "mud.tif"] == files(taken)
    assert [] == files(root.path / "out" / CANVAS)
    assert ["delivered", "delivered"] == [record["state"] for record in records(root)]


def test_a_result_whose_temporary_name_has_gone_is_no_collected_one_and_is_made_again(
    quick, monkeypatch
):
    drop(quick, "mud.tif", size=24)
    dropped = dropped_hashes(quick.path / "in" / CANVAS)
    gone: list[Path] = []

    def lose():
        if not gone:
            gone.extend(hidden(quick.path / "out"))
            for path in gone:
                path.unlink()

    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.05,))
    with monkeypatch.context() as patch:
        before_publishing(patch, lose)
        assert sweep(quick) == []
    assert gone
    assert ["mud.tif"] == files(quick.path / "out" / CANVAS)
    check_books(quick, dropped)


def test_after_a_kill_only_a_rename_that_was_begun_is_taken_for_collected(quick, monkeypatch):
    data = drop(quick, "mud.tif", size=24).read_bytes()
    dropped = dropped_hashes(quick.path / "in" / CANVAS)
    killed_when_publishing_begins(quick)
    (original,) = hidden(quick.path / "originals")
    original.unlink()
    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.05,))
    (said,) = sweep(quick)
    assert "put it back" in said
    assert str(original) in said
    assert [] == records(quick)
    original.write_bytes(data)
    assert sweep(quick) == []
    check_books(quick, dropped)


def test_a_held_folder_that_is_taken_away_before_it_has_its_name_is_not_recorded_as_held(
    quick, tmp_path, monkeypatch
):
    drop(quick, "plain.tif", profile=False, size=24)
    dropped = dropped_hashes(quick.path / "in" / CANVAS)
    held = quick.path / "held" / CANVAS
    away = tmp_path / "away"

    def lose():
        for path in held.glob(".hotfolder-2*"):
            path.rename(away / path.name)

    away.mkdir()
    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.05,))
    with monkeypatch.context() as patch:
        before_publishing(patch, lose)
        (said,) = sweep(quick)
    assert "put it back" in said
    assert [] == records(quick)
    (row,) = read_jobs(quick.ledger)
    assert row.state is State.PUBLISHING
    (building,) = away.iterdir()
    building.rename(held / building.name)
    assert sweep(quick) == []
    check_books(quick, dropped)


def test_a_result_taken_away_while_its_job_waits_for_room_is_made_again(quick, monkeypatch):
    drop(quick, "mud.tif", size=24)
    dropped = dropped_hashes(quick.path / "in" / CANVAS)
    move, tries = trees.move_any_new, []

    def full(source, target):
        if str(target).endswith("-original") and not tries:
            tries.append(1)
            for path in hidden(quick.path / "out"):
                path.unlink()
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(target))
        move(source, target)

    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.05,))
    monkeypatch.setattr(trees, "move_any_new", full)
    assert sweep(quick) == []
    assert ["mud.tif"] == files(quick.path / "out" / CANVAS)
    check_books(quick, dropped)
