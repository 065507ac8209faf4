"""Settings that move folders while jobs are on their way: every job ends, in the new place."""

from __future__ import annotations

import errno
import os
import shutil
import signal
from pathlib import Path

import pytest

from faults.killing import in_a_child
from faults.serving import CANVAS, sweep
from faults.test_decisions import move_by_settings
from hotfolder.audit.chain import check_chain
from hotfolder.disk import durable, line_log, trees
from hotfolder.ledger.details import Publishing
from hotfolder.ledger.jobs import Ledger, State, read_jobs
from hotfolder.ledger.reading import open_reader
from whole.conftest import drop, files


@pytest.fixture
def quicker(quick, monkeypatch):
    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.02,))
    return quick


def ends(root):
    return [row.state.value for row in read_jobs(root.ledger, ended=True)]


def killed_at(root, state, *, times=1):
    """Sweep in a child that is killed when a job has come to a state so many times."""

    def work():
        advance, seen = Ledger.advance, []

        def and_die(self, job, now, *detail, **changes):
            row = advance(self, job, now, *detail, **changes)
            if now is state:
                seen.append(1)
                if len(seen) == times:
                    os.kill(os.getpid(), signal.SIGKILL)
            return row

        Ledger.advance = and_die
        sweep(root)

    _, status = in_a_child(work, 60)
    assert os.WIFSIGNALED(status)


def fill(monkeypatch, folder):
    """A disk without room: nothing is written below a folder, nor renamed into it."""
    append, move, write = line_log.append_line, trees.move_any_new, durable.write_new

    def full(act, where):
        def acted(*arguments, **options):
            if Path(arguments[where]).is_relative_to(folder):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(arguments[where]))
            return act(*arguments, **options)

        return acted

    monkeypatch.setattr(line_log, "append_line", full(append, 0))
    monkeypatch.setattr(trees, "move_any_new", full(move, 1))
    monkeypatch.setattr(durable, "write_new", full(write, 0))


def hidden(*tops):
    return [
        str(path)
        for top in tops
        for path in top.rglob(".hotfolder-*")
        if path.name != ".hotfolder-folder"
    ]


@pytest.mark.parametrize("begun", [0, 1, 2])
def test_results_moved_after_a_kill_while_publishing_to_a_full_disk(
    quicker, tmp_path, monkeypatch, begun
):
    root, new = quicker, tmp_path / "new disk"
    drop(root, "mud.tif", size=16)
    killed_at(root, State.PUBLISHING, times=1 + begun)
    old = root.path / "out" / CANVAS
    fill(monkeypatch, old)
    assert sweep(root) != []
    move_by_settings(root, results=new)
    assert sweep(root) == []
    assert ["delivered"] == ends(root)
    (row,) = read_jobs(root.ledger, ended=True)
    (result,) = row.record.results
    assert durable.has_bytes(result.path, result.sha256)
    assert 1 == len(files(old)) + len(files(new))
    assert [] == hidden(old, new, root.path / "originals")
    assert 1 == len((new / "log.jsonl").read_bytes().splitlines())


@pytest.mark.parametrize("profile", [True, False])
def test_results_moved_from_a_disk_that_was_full_before_publishing_began(
    quicker, tmp_path, monkeypatch, profile
):
    root, new = quicker, tmp_path / "new disk"
    drop(root, "mud.tif", size=16, profile=profile)
    old = root.path / "out" / CANVAS
    fill(monkeypatch, old)
    assert sweep(root) != []
    move_by_settings(root, results=new)
    assert sweep(root) == []
    assert ["delivered" if profile else "held"] == ends(root)
    assert [] == files(old)
    assert [] == hidden(old, new, root.path / "held", root.path / "originals")
    with open_reader(root.ledger) as ledger:
        assert check_chain(ledger.db, CANVAS, new).is_whole


def test_originals_moved_between_bringing_near_and_the_plan(quicker, tmp_path):
    """A kill has left the original under a temporary name that no plan speaks of."""
    root, new = quicker, tmp_path / "new disk"
    drop(root, "mud.tif", size=16)

    def work():
        move = trees.move_any_new

        def and_die(source, target):
            move(source, target)
            if str(target).endswith("-original"):
                os.kill(os.getpid(), signal.SIGKILL)

        trees.move_any_new = and_die
        sweep(root)

    _, status = in_a_child(work, 60)
    assert os.WIFSIGNALED(status)
    (row,) = read_jobs(root.ledger)
    assert row.state is State.PRODUCED
    move_by_settings(root, originals=new)
    assert sweep(root) == []
    assert ["delivered"] == ends(root)
    assert ["mud.tif"] == files(new)
    assert [] == hidden(root.path / "out", root.path / "originals", new)


def test_a_line_that_a_kill_left_in_the_old_log_is_not_written_again(quicker, tmp_path):
    root, new = quicker, tmp_path / "new disk"
    drop(root, "mud.tif", size=16)

    def work():
        Ledger.end = lambda *_: os.kill(os.getpid(), signal.SIGKILL)
        sweep(root)

    _, status = in_a_child(work, 60)
    assert os.WIFSIGNALED(status)
    move_by_settings(root, results=new)
    assert sweep(root) == []
    assert ["delivered"] == ends(root)
    old = (root.path / "out" / CANVAS / "log.jsonl").read_bytes()
    assert 1 == len(old.splitlines())
    assert old == (new / "log.jsonl").read_bytes()


def test_results_moved_from_a_disk_that_has_gone_for_good(quicker, tmp_path):
    """Nothing had its name yet: what waited there is made again in the new place."""
    root, new = quicker, tmp_path / "new disk"
    drop(root, "mud.tif", size=16)
    killed_at(root, State.PUBLISHING)
    shutil.rmtree(root.path / "out" / CANVAS)
    move_by_settings(root, results=new)
    assert sweep(root) == []
    assert ["delivered"] == ends(root)
    assert ["mud.tif"] == files(new)


def test_results_moved_from_a_disk_that_has_gone_after_publishing_began_says_what_to_do(
    quicker, tmp_path
):
    root, new = quicker, tmp_path / "new disk"
    drop(root, "mud.tif", size=16)
    killed_at(root, State.PUBLISHING, times=2)
    old = root.path / "out" / CANVAS
    away = old.rename(tmp_path / "in a drawer")
    move_by_settings(root, results=new)
    (said,) = sweep(root)
    assert str(old) in said
    assert "Check the share" in said
    away.rename(old)
    assert sweep(root) == []
    assert ["delivered"] == ends(root)


def test_an_original_that_somebody_took_out_of_the_spool_is_said_with_what_to_do(quicker, tmp_path):
    drop(quicker, "mud.tif", size=16)
    killed_at(quicker, State.CLAIMED)
    (original,) = quicker.spool.glob("*/original")
    aside = original.rename(tmp_path / "mine")
    (said,) = sweep(quicker)
    assert f"put it back as {original}" in said
    aside.rename(original)
    assert sweep(quicker) == []
    assert ["delivered"] == ends(quicker)


@pytest.mark.parametrize("begun", [0, 1])
def test_a_row_of_an_older_version_says_no_temporary_names(quicker, begun):
    """They were beside the final names, and which renames were begun was not said."""
    root = quicker
    drop(root, "wedding/mud.tif", size=16)
    killed_at(root, State.PUBLISHING)
    (row,) = read_jobs(root.ledger)
    plan = row.expect(Publishing)
    ledger = Ledger(root.ledger)
    for number, move in enumerate(plan.moves):
        target = Path(move.target)
        beside = target.parent / f".hotfolder-{row.id}-{move.what}"
        target.parent.mkdir(parents=True, exist_ok=True)
        Path(move.near).rename(target if number < begun else beside)
    moves = tuple(each.model_copy(update={"near": ""}) for each in plan.moves)
    ledger.advance(row.id, State.PUBLISHING, plan.model_copy(update={"moves": moves}))
    ledger.close()
    assert sweep(root) == []
    assert ["delivered"] == ends(root)
    assert ["wedding/mud.tif"] == files(root.path / "out" / CANVAS)
    assert [] == hidden(root.path / "out", root.path / "originals")
