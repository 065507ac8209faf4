"""A root with one destination that works on tickets, and sweeps of it in this process."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from pathlib import Path

import pytest

from faults.killing import run_here
from hotfolder.batch.shelf import BatchState, read_batches
from hotfolder.daemon.loop import Daemon
from hotfolder.ledger.reading import open_reader
from hotfolder.overview.check import check
from hotfolder.settings.root import Root
from whole.conftest import drop, hotfolder, records, write_destination

__all__ = ["hotfolder"]

BOOK = "fine-art-canvas"
HEADER = "file,page,placement,width,height,caption"


@pytest.fixture
def book(root: Root) -> Root:
    """Its destination works on tickets, with stages that take no time."""
    return as_book(root)


def as_book(root: Root) -> Root:
    """Make a new root's one destination work on tickets."""
    for file in root.destinations.glob("*.toml"):
        file.unlink()
    path = write_destination(root)
    text = path.read_text().replace("[stage.sizing]", "[ticket]\n[stage.sizing]")
    stages = 'stages = ["preflight", "sizing", "profile-conversion", "tagging"]'
    path.write_text(re.sub("stages = .*", stages, text))
    settings = root.path / "hotfolder.toml"
    settings.write_text(
        settings.read_text().replace('"0.1 s"', '"0 s"').replace('"0.3 s"', '"0 s"')
    )
    return root


def picture(root: Root, name: str, batch: str = "estuary", seed: int = 1) -> Path:
    """Drop a small picture for a batch."""
    return drop(root, f"{batch}/{name}".lstrip("/"), seed=seed, size=24)


def ticket(root: Root, rows: Sequence[str], batch: str = "estuary", header: str = HEADER) -> Path:
    """Drop a ticket."""
    path = root.path / "in" / BOOK / batch / "book.csv"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join([header, *rows]) + "\n")
    return path


def sweep(root: Root, **options) -> Daemon:
    """Do what is waiting, with attempts in this process."""
    found = check(root)
    assert found.settings is not None, found.problems
    assert found.registry is not None
    daemon = Daemon(root, found.settings, found.registry, run=run_here, **options)
    daemon.run(until_idle=True)
    return daemon


def state(root: Root, batch: str = "estuary") -> BatchState:
    with open_reader(root.ledger) as ledger:
        return read_batches(ledger)[BOOK, batch]


def table(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text("utf-8-sig"), newline="")))


def ended(root: Root) -> list[dict[str, object]]:
    """Records of jobs' ends, without those that say that a result was set aside later."""
    return [record for record in records(root, BOOK) if not record["superseded"]]
