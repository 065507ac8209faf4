"""The error sweep: a call of the system fails, and nothing is lost, nothing twice, nobody dies.

Here a spread of calls; `python tests/faults/sweep.py` fails each of them.
"""

from __future__ import annotations

import errno
import os
import random

import pytest

from faults.killing import check_books, dropped_hashes
from faults.serving import CANVAS, candidate, sweep
from faults.sweep import WITHOUT_ROOM, Failure, Place, tiny
from hotfolder.disk import durable
from hotfolder.errors import StorageError
from hotfolder.intake.claim import ORIGINAL, claim, recover_claim
from hotfolder.ledger.jobs import Ledger, State
from whole.conftest import drop, files


@pytest.fixture
def place(root, tmp_path):
    def made(scenario):
        folder, elsewhere = tmp_path / "here", tmp_path / "there"
        folder.mkdir()
        elsewhere.mkdir()
        return Place(tiny(root), scenario, folder, elsewhere)

    return made


@pytest.mark.parametrize(("scenario", "cases"), [("deliver", 12), ("hold", 4)])
def test_a_failing_call_of_the_system_loses_nothing_and_does_nothing_twice(place, scenario, cases):
    played = place(scenario)
    whole = played.case(None)
    assert whole.troubles == []
    choice = random.Random(f"the estuary at low water: {scenario}")
    kinds = [kind for kind in whole.counts if whole.counts[kind] > 0]
    for number in range(cases):
        kind = kinds[number % len(kinds)]
        errors = [errno.EIO, errno.ENOSPC] if kind in WITHOUT_ROOM else [errno.EIO]
        at = choice.randint(1, whole.counts[kind])
        failure = Failure(kind, at, choice.choice(errors), lasting=choice.random() < 0.5)
        assert played.case(failure).struck, failure


@pytest.mark.parametrize(
    "failure",
    [
        Failure("fsync", 2, errno.ENOSPC, lasting=True),
        Failure("rename", 5, errno.EIO, lasting=True),
        Failure("read", 1, errno.EIO, lasting=True),
        Failure("read", 12, errno.EIO, lasting=True),
        Failure("unlink", 1, errno.EIO, lasting=True),
    ],
)
def test_a_sweep_ends_though_a_claim_from_another_file_system_stays_half_way(
    root, tmp_path, elsewhere, failure
):
    folder = tmp_path / "here"
    folder.mkdir()
    assert Place(tiny(root), "across", folder, elsewhere).case(failure).struck


@pytest.mark.parametrize("name", ["-result-1", "-original"])
def test_a_name_that_cannot_be_looked_at_is_not_taken_for_one_that_has_gone(
    quick, monkeypatch, name
):
    """A share that answers with an error for a moment is no customer who has collected."""
    drop(quick, "mud.tif", size=24)
    dropped = dropped_hashes(quick.path / "in" / CANVAS)
    failed = fail_once(monkeypatch, lambda path: path.endswith(name))
    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.05,))
    assert sweep(quick) == []
    assert len(failed) == 1
    check_books(quick, dropped)
    assert files(quick.path / "out") == [f"{CANVAS}/mud.tif"]


def test_an_original_in_the_spool_that_cannot_be_looked_at_is_not_thrown_away(quick, monkeypatch):
    hot_folder = quick.path / "in" / CANVAS
    bytes_ = drop(quick, "mud.tif", size=24).read_bytes()
    quick.spool.mkdir(parents=True, exist_ok=True)
    ledger = Ledger(quick.ledger)
    found = candidate(hot_folder, "mud.tif")
    with monkeypatch.context() as patch:
        patch.setattr(Ledger, "advance", refuse)
        with pytest.raises(StorageError):
            claim(ledger, quick.spool, CANVAS, found)
    (row,) = ledger.claims_of(CANVAS)
    failed = fail_once(monkeypatch, lambda path: path.endswith(ORIGINAL))
    with pytest.raises(OSError, match="Input/output error"):
        recover_claim(ledger, quick.spool, hot_folder, row)
    assert len(failed) == 1
    assert bytes_ == (quick.spool / row.id / ORIGINAL).read_bytes()
    recovered = recover_claim(ledger, quick.spool, hot_folder, row)
    assert recovered is not None
    assert recovered.state is State.CLAIMED
    ledger.close()


def refuse(*_, **__):
    raise StorageError("the ledger cannot be written")


def fail_once(monkeypatch, is_meant):
    """The first look at a name that is there and is meant fails; the paths that failed."""
    lstat, failed = os.lstat, []

    def failing(path, *args, **kwargs):
        found = lstat(path, *args, **kwargs)
        if not failed and is_meant(os.fsdecode(path)):  # what watches folders looks by bytes
            failed.append(path)
            raise OSError(errno.EIO, os.strerror(errno.EIO), os.fspath(path))
        return found

    monkeypatch.setattr(os, "lstat", failing)
    return failed


@pytest.mark.parametrize(
    ("number", "is_there"), [(errno.ENOENT, False), (errno.ENOTDIR, False), (0, True)]
)
def test_only_absence_is_absence(tmp_path, monkeypatch, number, is_there):
    def lstat(path):
        if number:
            raise OSError(number, os.strerror(number), path)

    monkeypatch.setattr(os, "lstat", lstat)
    assert durable.is_there(tmp_path / "mud.tif") == is_there


@pytest.mark.parametrize("number", [errno.EIO, errno.EACCES, errno.ESTALE, errno.ETIMEDOUT])
def test_an_error_is_no_answer(tmp_path, monkeypatch, number):
    def lstat(path):
        raise OSError(number, os.strerror(number), path)

    monkeypatch.setattr(os, "lstat", lstat)
    with pytest.raises(OSError, match=r"mud\.tif"):
        durable.is_there(tmp_path / "mud.tif")
