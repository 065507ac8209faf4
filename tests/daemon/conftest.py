"""Parts of a daemon by themselves: a clock that is set, destinations that are only named."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
import structlog

from hotfolder.daemon.trouble import Troubles
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import Ledger, State


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


class Named:
    """Stands for `Destinations`: their names, and what the parts ask of them."""

    def __init__(self, **destinations) -> None:
        self.destinations = destinations

    def __iter__(self):
        return iter(self.destinations)

    def __getitem__(self, name):
        return SimpleNamespace(destination=self.destinations[name])

    def get(self, name):
        return self.destinations.get(name)

    def all(self):
        return dict(self.destinations)


def destination(name, *, priority=0, ticket=None, hours=None):
    file = SimpleNamespace(priority=priority, ticket=ticket, hours=hours)
    return SimpleNamespace(name=name, file=file, stages={}, stage_settings={})


def is_for_a_batch(row, where):
    return where.file.ticket is not None and row.state is State.CLAIMED


def away(*_args):
    raise StorageError("the share of the originals is not connected")


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def troubles(clock, root):
    return Troubles(clock, root.fill_in)


@pytest.fixture
def ledger(tmp_path):
    ledger = Ledger(tmp_path / "ledger.sqlite")
    yield ledger
    ledger.close()


@pytest.fixture
def add(ledger):
    """Put claimed jobs into the ledger."""

    def add(*jobs, destination="canvas"):
        with ledger.transaction() as db:
            db.executemany(
                "INSERT INTO jobs (id, destination, source, kind, state, bytes, arrived, changed)"
                " VALUES (?, ?, ?, 'file', 'claimed', 1, ?, ?)",
                [
                    (job, destination, b"mud.tif", *["2026-03-29T12:00:00+00:00"] * 2)
                    for job in jobs
                ],
            )

    return add


@pytest.fixture(autouse=True)
def logs_are_printed():
    """Let log events be seen on standard output, whatever an earlier test has set up."""
    structlog.reset_defaults()
