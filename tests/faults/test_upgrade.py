"""A newer program goes on where an older one was stopped at work; an older one refuses a newer's.

A ledger of an earlier version is made with the steps of that time, and the rows of today's.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing

import pytest
from typer.testing import CliRunner

from faults.killing import check_books, copied, dropped_hashes, sweep_in_child
from faults.serving import CANVAS, sweep
from hotfolder.cli.main import app
from hotfolder.disk import durable
from hotfolder.errors import StorageError
from hotfolder.ledger.jobs import Ledger, read_jobs
from hotfolder.ledger.migrations import SCHEMA_VERSION, STEPS
from hotfolder.ledger.packing import teach
from hotfolder.settings.root import Root
from whole.conftest import drop, files, records

MARKS = 10
"""The first version that has marks; before it, records were text as well."""
PACKED = 13
"""The first version whose records may be packed."""


def put_back(ledger, version):
    """Make a ledger one that a program of an earlier version has written."""
    old = ledger.with_name("old.sqlite")
    with closing(sqlite3.connect(old, isolation_level=None)) as db:
        teach(db)
        db.execute("PRAGMA journal_mode = WAL")
        for step in STEPS[:version]:
            step(db)
        db.execute(f"PRAGMA user_version = {version}")
        tables = [name for (name,) in db.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%'"
        )]  # fmt: skip
        db.execute("ATTACH ? AS now", (str(ledger),))
        for table in tables:
            columns = [name for _, name, *_ in db.execute(f"PRAGMA table_info({table})")]
            read = [
                "unpack(record)" if name == "record" and version < PACKED else name
                for name in columns
            ]
            db.execute(
                f"INSERT INTO {table} ({', '.join(columns)}) SELECT {', '.join(read)}"
                f" FROM now.{table}"
            )
        if version >= MARKS:
            db.execute("DELETE FROM marks WHERE name LIKE 'written by%'")
        db.execute("DETACH now")
    for each in ledger.parent.glob("ledger.sqlite*"):
        each.unlink()
    old.rename(ledger)


def version_of(ledger):
    with closing(sqlite3.connect(ledger)) as db:
        return db.execute("PRAGMA user_version").fetchone()[0]


@pytest.mark.parametrize("version", [SCHEMA_VERSION - 1, MARKS - 1])
@pytest.mark.parametrize("share", [0.25, 0.5, 0.75])
def test_jobs_that_an_older_program_had_begun_are_ended_once(quick, tmp_path, version, share):
    for seed in (1, 2, 3):
        drop(quick, f"harbour/mud-{seed}.tif", seed=seed, size=24, profile=seed != 2)
    dropped = dropped_hashes(quick.path / "in" / CANVAS)
    acts = sweep_in_child(copied(quick, tmp_path / "counted"))
    assert sweep_in_child(quick, int(len(acts) * share), after=True) is None
    assert read_jobs(quick.ledger) != []
    put_back(quick.ledger, version)
    assert version_of(quick.ledger) == version
    assert sweep_in_child(quick) is not None
    assert version_of(quick.ledger) == SCHEMA_VERSION
    check_books(quick, dropped)
    assert ["delivered", "delivered", "held"] == sorted(each["state"] for each in records(quick))


def test_a_root_of_an_older_program_is_looked_at_and_left_alone_before_it_is_taken_over(quick):
    drop(quick, "mud.tif", seed=1, size=24)
    assert sweep(quick) == []
    put_back(quick.ledger, SCHEMA_VERSION - 1)
    for words in (["check"], ["status"]):
        done = CliRunner().invoke(app, [*words, str(quick.path)], catch_exceptions=False)
        assert done.exit_code == 0, done.output
    assert version_of(quick.ledger) == SCHEMA_VERSION - 1


def make_newer(ledger, program):
    with closing(sqlite3.connect(ledger)) as db, db:
        db.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 2}")
        db.execute("UPDATE marks SET value = ? WHERE name = 'written by hotfolder'", (program,))


def test_what_a_newer_program_has_touched_is_refused_with_both_versions_and_what_to_do(quick):
    drop(quick, "mud.tif", seed=1, size=24)
    assert sweep(quick) == []
    drop(quick, "reeds.tif", seed=2, size=24)
    make_newer(quick.ledger, "7.1.0")
    before = contents(quick)
    wanted = (
        f"was written by hotfolder 7.1.0, in version {SCHEMA_VERSION + 2} of its tables; this is "
        rf"hotfolder [\d.]+, which knows them up to version {SCHEMA_VERSION}\. Nothing was "
        r"changed\. Install hotfolder 7\.1\.0 or a later one; or take a copy that `hotfolder "
        "backup` made before the update"
    )
    for act in (sweep, lambda root: Ledger(root.ledger), lambda root: read_jobs(root.ledger)):
        with pytest.raises(StorageError, match=wanted):
            act(quick)
    assert contents(quick) == before


def test_a_copy_of_before_the_update_is_restored_into_a_new_folder(quick, tmp_path):
    drop(quick, "mud.tif", seed=1, size=24)
    assert sweep(quick) == []
    run = CliRunner().invoke
    assert run(app, ["backup", str(tmp_path / "copy"), str(quick.path)]).exit_code == 0
    make_newer(quick.ledger, "7.1.0")
    new = tmp_path / "new"
    done = run(app, ["restore", str(tmp_path / "copy"), str(new)])
    assert done.exit_code == 0, done.output
    assert ["mud.tif"] == files(new / "out" / CANVAS)
    assert sweep(Root(new)) == []


def contents(root):
    """What every file of a root has in it, but for what a look leaves beside the ledger."""
    return {
        str(each.relative_to(root.path)): durable.sha256_of(each).sha256
        for each in sorted(root.path.rglob("*"))
        if each.is_file() and not each.name.startswith(("ledger.sqlite-", "lock", "hotfolder.log"))
    }
