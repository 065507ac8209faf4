"""The loop as a whole: it ends when nothing is waited for, and says what is left."""

from __future__ import annotations

import pytest

from faults.conftest import loaded, quick  # noqa: F401
from faults.serving import CANVAS, sweep
from hotfolder.errors import StorageError
from hotfolder.ledger.details import Claiming
from hotfolder.ledger.jobs import Ledger
from whole.conftest import drop, records, small  # noqa: F401

pytestmark = pytest.mark.slow


def test_a_job_whose_destination_has_gone_is_said_and_keeps_no_sweep_waiting(quick):  # noqa: F811
    ledger = Ledger(quick.ledger)
    begun = Claiming(dev=0, ino=0, size=1, mtime_ns=0, nlink=1)
    ledger.add("20260329-120000-00000000", "gone", b"mud.tif", "file", 1, begun)
    ledger.close()
    drop(quick, "reeds.tif", size=24)
    (said,) = sweep(quick)
    assert "gone.toml back, then they continue" in said
    assert ["delivered"] == [record["state"] for record in records(quick, CANVAS)]


def test_a_ledger_that_fails_for_a_moment_is_said_and_the_work_goes_on(quick, monkeypatch):  # noqa: F811
    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.05,))
    drop(quick, "reeds.tif", size=24)
    failures, claims_of = [], Ledger.claims_of

    def fail_twice(self, destination):
        if len(failures) < 2:
            failures.append(destination)
            raise StorageError("the ledger cannot be read: locked")
        return claims_of(self, destination)

    monkeypatch.setattr(Ledger, "claims_of", fail_twice)
    assert [] == sweep(quick)
    assert ["delivered"] == [record["state"] for record in records(quick)]
    assert 2 == len(failures)


def test_a_ledger_that_fails_for_long_ends_a_sweep_with_the_reason(quick, monkeypatch):  # noqa: F811
    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.05,))
    drop(quick, "reeds.tif", size=24)

    def fail(self, *_args, **_options):
        raise StorageError("the ledger cannot be read: locked")

    with monkeypatch.context() as patch:
        patch.setattr(Ledger, "open_jobs_of", fail)
        assert ["the ledger cannot be read: locked"] == sweep(quick)
    assert [] == sweep(quick)
    assert ["delivered"] == [record["state"] for record in records(quick)]
