"""What is claimed is known by where it was; a file under a name of ours is never forgotten."""

from __future__ import annotations

import os
import shutil
import signal

import pytest

from faults.killing import in_a_child
from faults.serving import CANVAS, sweep
from faults.test_claim import Desk
from hotfolder.disk import trees
from hotfolder.disk.marker import write_marker
from hotfolder.intake.scan import scan
from hotfolder.ledger.jobs import State
from whole.conftest import drop, files, records


@pytest.fixture
def far(elsewhere, tmp_path):
    desk = Desk(elsewhere / "in", tmp_path / "private/spool")
    yield desk
    desk.ledger.close()


def killed_while_copying(claim):
    """Claim in a child that is killed when the file is set aside and its copy begins."""

    def work():
        trees.copy_any_new = lambda *_, **__: os.kill(os.getpid(), signal.SIGKILL)
        claim()

    _, status = in_a_child(work, 60)
    assert os.WIFSIGNALED(status)


def test_a_claim_broken_off_is_found_though_its_sub_folder_was_renamed(far):
    folder = far.folder / "wedding"
    folder.mkdir()
    (folder / "reeds.tif").write_bytes(b"reeds")
    killed_while_copying(lambda: far.claim("wedding/reeds.tif"))
    folder.rename(far.folder / "wedding, chosen")
    far.recover()
    (row,) = far.ledger.open_jobs()
    assert (State.CLAIMED, b"reeds") == (row.state, far.original(row).read_bytes())
    assert [] == [name for name in far.listing() if name.startswith(".")]


def test_a_claim_broken_off_is_found_though_the_destination_has_another_hot_folder(far):
    (far.folder / "reeds.tif").write_bytes(b"reeds")
    killed_while_copying(lambda: far.claim("reeds.tif"))
    far.folder = far.folder.with_name("other")
    far.folder.mkdir()
    write_marker(far.folder)
    far.recover()
    (row,) = far.ledger.open_jobs()
    assert (State.CLAIMED, b"reeds") == (row.state, far.original(row).read_bytes())


@pytest.fixture
def on_share(quick, elsewhere):
    """The hot folder is on another file system; `moved` makes another one the hot folder."""
    share = elsewhere / "in"
    shutil.move(quick.path / "in" / CANVAS, share)
    file = quick.destinations / f"{CANVAS}.toml"
    text = file.read_text()

    def set_to(folder):
        file.write_text(f'{text}\n[folders]\nhot_folder = "{folder}"\n')

    set_to(share)
    (quick.path / "in" / CANVAS).symlink_to(share)
    return quick, share, set_to


def test_a_file_is_delivered_though_the_hot_folder_changed_after_a_kill(on_share):
    root, share, set_to = on_share
    drop(root, "mud.tif", size=24)
    killed_while_copying(lambda: sweep(root))
    other = share.with_name("other")
    other.mkdir()
    write_marker(other)
    set_to(other)
    assert sweep(root) == []
    (record,) = records(root)
    assert ("delivered", "mud.tif") == (record["state"], record["source"])
    assert [] == files(share)
    assert [] == list(share.glob(".hotfolder-2*"))


def test_an_old_hot_folder_that_has_gone_is_said_and_keeps_no_other_file_waiting(
    on_share, monkeypatch
):
    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.05,))
    root, share, set_to = on_share
    drop(root, "mud.tif", size=24)
    killed_while_copying(lambda: sweep(root))
    away, other = share.with_name("away"), share.with_name("other")
    other.mkdir()
    write_marker(other)
    set_to(other)
    share.rename(away)
    (root.path / "in" / CANVAS).unlink()
    (root.path / "in" / CANVAS).symlink_to(other)
    drop(root, "reeds.tif", size=24, seed=2)
    (said,) = sweep(root)
    assert str(share) in said
    assert "mud.tif" in said
    assert ["reeds.tif"] == [record["source"] for record in records(root)]
    away.rename(share)
    assert sweep(root) == []
    assert ["mud.tif", "reeds.tif"] == sorted(record["source"] for record in records(root))


def test_a_file_under_a_name_of_ours_that_no_ledger_knows_is_found_and_taken(quick):
    path = drop(quick, "wedding/mud.tif", size=24)
    path.rename(path.with_name(".hotfolder-20260131-235959-0123abcd"))
    assert ("wedding/.hotfolder-20260131-235959-0123abcd",) == scan(
        quick.path / "in" / CANVAS
    ).set_aside
    assert sweep(quick) == []
    (record,) = records(quick)
    assert ("delivered", "wedding/found-20260131-235959-0123abcd") == (
        record["state"],
        record["source"],
    )
