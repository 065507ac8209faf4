"""What rows carry: one model for each state, and nothing else."""

from pathlib import Path

import pytest

from hotfolder.errors import StorageError
from hotfolder.ledger.details import (
    Claimed,
    Claiming,
    Held,
    Releasing,
    State,
    dump_detail,
    load_detail,
)
from hotfolder.ledger.jobs import Ledger
from hotfolder.model.places import Places
from hotfolder.model.records import Release
from ledger.test_ledger import CLAIM

RELEASE = Release(who="Mara", why="", at="2026-01-02T03:04:05Z")


@pytest.fixture
def ledger(tmp_path):
    ledger = Ledger(tmp_path / "ledger.sqlite")
    yield ledger
    ledger.close()


def test_a_row_carries_only_what_belongs_to_its_state(ledger):
    ledger.add("j", "canvas", b"mud.tif", "file", 10, CLAIM)
    with pytest.raises(TypeError, match="a job that is claimed carries Claimed, not Held"):
        ledger.advance("j", State.CLAIMED, Held())
    assert State.CLAIMING is ledger.job("j").state


def test_what_is_not_said_stays_as_it_was(ledger):
    ledger.add("j", "canvas", b"mud.tif", "file", 10, CLAIM)
    ledger.advance("j", State.CLAIMED, Claimed(release=RELEASE), attempts=2, size=7)
    row = ledger.advance("j", State.WORKING, attempts=0)
    assert (RELEASE, 0, 7, None) == (row.release, row.attempts, row.bytes, row.sha256)


@pytest.mark.parametrize("name", ["mud.tif", b"m\xffd.tif".decode("utf-8", "surrogateescape")])
def test_a_name_that_is_no_text_survives(name):
    detail = Releasing(release=RELEASE, source=Path("/release") / name)
    places = Places("/desk")
    assert detail == load_detail(
        State.RELEASING, dump_detail(State.RELEASING, detail, places), places
    )


def test_a_row_that_somebody_has_spoilt_says_which_and_spoils_no_other(ledger):
    for job in ("a", "b"):
        ledger.add(job, "canvas", b"mud.tif", "file", 10, CLAIM)
    with ledger.transaction() as db:
        db.execute("UPDATE jobs SET detail = '{\"ino\": 1}' WHERE id = 'a'")
    spoilt, other = ledger.open_jobs()
    assert Claiming is type(other.detail)
    with pytest.raises(StorageError, match="row of job a cannot be read"):
        spoilt.detail  # noqa: B018 - reading it is the test
