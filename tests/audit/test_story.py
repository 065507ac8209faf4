"""The story of a job that was held and discarded: each thing once, in its order."""

import time
from contextlib import closing
from datetime import UTC, datetime

import pytest

from hotfolder.audit.story import list_events
from hotfolder.ledger.migrations import make_empty_ledger
from hotfolder.ledger.record_index import insert
from hotfolder.model.records import Discarded
from model.test_records import record


@pytest.fixture
def kathmandu(monkeypatch):
    monkeypatch.setenv("TZ", "Asia/Kathmandu")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def test_a_job_that_was_discarded_was_held_once(kathmandu):
    noticed = datetime(2026, 1, 5, tzinfo=UTC)
    discarded = Discarded(noticed=noticed, original_kept_until=datetime(2026, 2, 4, tzinfo=UTC))
    both = [record(), record(discarded=discarded)]
    with closing(make_empty_ledger()) as db:
        for each in both:
            insert(db, each, None)
        events = list_events(db, both[-1])
    assert ["arrived", "held", "discarded"] == [event["what"] for event in events]
    assert "6 % is lost" in events[1]["text"]
    assert "kept until 2026-02-04 05:45 UTC+05:45" in events[2]["text"]
