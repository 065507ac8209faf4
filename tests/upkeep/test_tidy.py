"""What may go after a while: only what is proven, said first, and the chain goes on."""

from __future__ import annotations

import gzip
import json
import os
import sqlite3
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from faults.conftest import loaded, quick  # noqa: F401
from faults.killing import check_chain
from faults.serving import CANVAS, sweep
from hotfolder.errors import StorageError
from hotfolder.ledger.log_years import read_lines
from hotfolder.ledger.packing import PAGE_BYTES, teach
from hotfolder.ledger.reading import read_jobs
from hotfolder.settings.tables import Keep
from hotfolder.upkeep import cutting
from hotfolder.upkeep.copies import read_folders
from hotfolder.upkeep.tidy import tidy
from whole.conftest import drop, files, hotfolder, records

__all__ = ["hotfolder", "quick"]

pytestmark = pytest.mark.slow
LATER = datetime.now(UTC) + timedelta(days=400)
ORIGINALS = Keep(
    originals="1 year", only_collected=False, cut_log=False, empty_folders="1000 years"
)
COLLECTED = ORIGINALS.model_copy(update={"only_collected": True})
LOGS = Keep(empty_folders="1000 years")


def tidied(root, keep, *, dry=False, now=LATER):
    return tidy(root, read_folders(root), keep, dry=dry, now=now)


@pytest.fixture
def one(quick):
    drop(quick, "harbour/mud.tif", seed=1, size=24)
    drop(quick, "plain.tif", seed=3, size=24, profile=False)
    assert sweep(quick) == []
    return quick


def test_an_old_original_goes_and_is_not_missed(one, hotfolder):
    said = tidied(one, ORIGINALS, dry=True)
    assert [True] == [each["path"].endswith("harbour/mud.tif") for each in said["removed"]]
    assert ["harbour/mud.tif"] == files(one.path / "originals" / CANVAS)
    tidied(one, ORIGINALS)
    assert [] == files(one.path / "originals" / CANVAS)
    assert [] == tidied(one, ORIGINALS)["removed"]
    assert 1 == len(list((one.path / "held" / CANVAS).glob("*/plain.tif")))
    assert 0 == hotfolder("audit", one.path, "--verify").returncode


def test_a_young_original_stays(one):
    assert [] == tidied(one, ORIGINALS, now=datetime.now(UTC))["removed"]


def test_an_original_goes_only_when_its_result_was_collected(one):
    said = tidied(one, COLLECTED, dry=True)
    assert [] == said["removed"]
    assert "has not been collected" in said["stays"][0]["why"]
    (result,) = (one.path / "out" / CANVAS).glob("harbour/*.tif")
    result.rename(one.path / "at the printer.tif")
    said = tidied(one, COLLECTED)
    assert ([True], []) == (
        [each["path"].endswith("harbour/mud.tif") for each in said["removed"]],
        said["stays"],
    )


def test_while_the_results_are_away_nobody_knows_what_was_collected(one):
    results = one.path / "out" / CANVAS
    results.rename(one.path / "away")
    results.mkdir()
    said = tidied(one, COLLECTED)
    assert ([], 1) == (said["removed"], len(said["stays"]))
    assert "without the file" in said["stays"][0]["why"]


@pytest.mark.parametrize("dry", [True, False])
def test_what_is_held_for_long_is_listed_and_stays(one, dry):
    keep = Keep(held="90 d", cut_log=False, empty_folders="1000 years")
    assert [] == tidied(one, keep, now=datetime.now(UTC))["stays"]
    (held,) = (one.path / "held" / CANVAS).glob("2*")
    said = tidied(one, keep, dry=dry)
    (thing,) = said["stays"]
    assert ([], "held", str(held)) == (said["removed"], thing["what"], thing["path"])
    assert f"`hotfolder discard {held.name} {one.path}`" in thing["why"]
    assert thing["bytes"] >= (held / "plain.tif").stat().st_size
    assert held.is_dir()


def test_an_original_that_has_changed_stays_and_is_said(one):
    (one.path / "originals" / CANVAS / "harbour/mud.tif").write_bytes(b"mud")
    said = tidied(one, ORIGINALS)
    assert ([], 1) == (said["removed"], len(said["stays"]))
    assert "changed" in said["stays"][0]["why"]


def test_an_original_that_a_younger_job_has_as_well_stays(one):
    now = datetime.now(UTC) + timedelta(days=400)
    original = one.path / "originals" / CANVAS / "harbour/mud.tif"
    drop(one, "again.tif", seed=1, size=24)
    assert (one.path / "in" / CANVAS / "again.tif").read_bytes() == original.read_bytes()
    assert sweep(one) == []
    with closing(sqlite3.connect(one.ledger)) as db, db:
        young = (now - timedelta(days=3)).isoformat(timespec="milliseconds")
        db.execute("UPDATE records SET finished = ? WHERE name = 'again.tif'", (young,))
    said = tidied(one, ORIGINALS, now=now)
    assert [] == said["removed"]
    assert "younger" in said["stays"][0]["why"]


def test_records_of_a_year_that_is_over_go_to_a_file_and_the_chain_goes_on(one, hotfolder):
    log = one.path / "out" / CANVAS / "log.jsonl"
    whole = log.read_bytes()
    assert [] != tidied(one, LOGS, dry=True)["removed"]
    assert whole == log.read_bytes()
    tidied(one, LOGS)
    (part,) = log.parent.glob("log-*.jsonl.gz")
    assert whole == gzip.decompress(part.read_bytes())
    assert b"" == log.read_bytes()
    drop(one, "later.tif", seed=5, size=24)
    assert sweep(one) == []
    together = log.with_name("together")
    together.write_bytes(b"".join(read_lines(log)))
    check_chain(together)
    assert 3 == len(together.read_bytes().splitlines())
    together.unlink()
    done = hotfolder("audit", one.path, "--verify")
    assert done.returncode == 0, done.stdout
    assert "3 records, chain whole" in done.stdout


def test_a_lost_ledger_is_made_anew_from_all_years(one):
    tidied(one, LOGS)
    drop(one, "later.tif", seed=5, size=24)
    assert sweep(one) == []
    for each in one.private.glob("ledger.sqlite*"):
        each.unlink()
    assert sweep(one) == []
    drop(one, "latest.tif", seed=6, size=24)
    assert sweep(one) == []
    lines = [json.loads(line) for line in read_lines(one.path / "out" / CANVAS / "log.jsonl")]
    assert 4 == len({each["job"] for each in lines}) == len(lines)
    assert 2 == len(records(one))


def test_a_cut_that_was_broken_off_counts_no_line_twice_and_is_gone_on_with(one, monkeypatch):
    log = one.path / "out" / CANVAS / "log.jsonl"
    whole = log.read_bytes()

    def kill(*_args):
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(cutting.durable, "fsync_file", kill)
        with pytest.raises(KeyboardInterrupt):
            tidied(one, LOGS)
    assert whole == b"".join(read_lines(log))
    write = cutting._write_part

    def write_and_kill(found):
        write(found)
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(cutting, "_write_part", write_and_kill)
        with pytest.raises(KeyboardInterrupt):
            tidied(one, LOGS)
    assert [True, True] == [log.exists(), bool(list(log.parent.glob("log-*.gz")))]
    assert whole == b"".join(read_lines(log))
    tidied(one, LOGS)
    assert (b"", whole) == (log.read_bytes(), b"".join(read_lines(log)))


def test_a_log_whose_chain_is_broken_is_not_cut(one):
    log = one.path / "out" / CANVAS / "log.jsonl"
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(lines[0].replace(b'"attempts": 1', b'"attempts": 2') + lines[1])
    said = tidied(one, LOGS)
    assert "is not cut" in said["stays"][0]["why"]
    assert [] == list(log.parent.glob("log-*"))


def test_a_part_of_that_name_with_other_lines_is_left_alone(one):
    log = one.path / "out" / CANVAS / "log.jsonl"
    part = log.with_name(f"log-{datetime.now(UTC).year}.jsonl.gz")
    part.write_bytes(gzip.compress(b'{"mine": 1}\n'))
    with pytest.raises(Exception, match="is there already with other lines"):
        tidied(one, LOGS)
    assert b'{"mine": 1}\n' == gzip.decompress(part.read_bytes())


def test_old_sheets_go(quick):
    file = quick.destinations / f"{CANVAS}.toml"
    stages = 'stages = ["proof-sheet", "profile-conversion"]'
    text = file.read_text().replace('stages = ["profile-conversion"]', stages)
    file.write_text(f'keep_sheets = "all"\n{text}')
    drop(quick, "mud.tif", size=24)
    assert sweep(quick) == []
    sheets = quick.path / "out" / CANVAS / "sheets"
    before = len(list(sheets.glob("2*")))
    assert before
    (sheets / "20260101-000000-00000000.html").write_text("a person's own")
    keep = Keep(sheets="1 year", cut_log=False, empty_folders="1000 years")
    assert before == len(tidied(quick, keep)["stays"])
    said = tidied(quick, keep.model_copy(update={"only_collected": False}))
    assert before == len(said["removed"])
    assert ["20260101-000000-00000000.html"] == [each.name for each in sheets.glob("2*")]


def test_sub_folders_in_which_nothing_has_been_for_long_go(quick):
    hot = quick.path / "in" / CANVAS
    long_ago = time.time() - 500 * 86400
    for name in ("old/inner", "young", "full"):
        (hot / name).mkdir(parents=True)
    (hot / "full/note.txt.part").write_text("x")
    for name in ("old/inner", "old", "full"):
        os.utime(hot / name, (long_ago, long_ago))
    tidied(quick, Keep(cut_log=False), now=datetime.now(UTC))
    assert ["full", "young"] == sorted(each.name for each in hot.iterdir() if each.is_dir())
    assert Path(hot / ".hotfolder-folder").exists()


def test_the_command_lists_and_then_removes(one, hotfolder):
    settings = one.path / "hotfolder.toml"
    text = settings.read_text().replace(
        '# originals = "2 years"', 'originals = "0 d"\nonly_collected = false'
    )
    settings.write_text(text)
    done = hotfolder("tidy", one.path, "--dry-run")
    assert "would remove" in done.stdout
    assert "harbour/mud.tif" in done.stdout
    said = json.loads(hotfolder("tidy", one.path, "--json").stdout)
    assert [False, 1] == [said["dry"], len(said["removed"])]
    assert 0 == hotfolder("audit", one.path, "--verify").returncode


def test_records_of_earlier_versions_are_packed_and_say_the_same(one, hotfolder):
    before = [row.record for row in read_jobs(one.ledger, ended=True)]
    unpack_all(one)
    tidied(one, LOGS, dry=True)
    assert {"text"} == stored_as(one)
    tidied(one, LOGS)
    assert {"blob"} == stored_as(one)
    assert before == [row.record for row in read_jobs(one.ledger, ended=True)]
    assert 0 == hotfolder("audit", one.path, "--verify").returncode
    assert "mud.tif" in hotfolder("audit", one.path, "--name", "mud.tif").stdout
    drop(one, "harbour/sand.tif", seed=4, size=24)
    assert sweep(one) == []
    assert {"blob"} == stored_as(one)


def test_a_packed_record_that_was_changed_is_an_error_that_says_whose(one):
    tidied(one, LOGS)
    with closing(sqlite3.connect(one.ledger)) as db, db:
        db.execute("UPDATE jobs SET record = substr(record, 1, 100)")
    for row in read_jobs(one.ledger, ended=True):
        with pytest.raises(StorageError, match=row.id):
            row.record  # noqa: B018 - it reads


def test_a_ledger_of_small_pages_shrinks(one):
    with closing(sqlite3.connect(one.ledger, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode=DELETE")
        db.execute("PRAGMA page_size=4096")
        db.execute("VACUUM")
        db.execute("CREATE TABLE much (what)")
        db.execute("INSERT INTO much SELECT zeroblob(1000000)")
        db.execute("DROP TABLE much")
    assert 500_000 < tidied(one, LOGS)["ledger_bytes_freed"]
    with closing(sqlite3.connect(one.ledger)) as db:
        assert (PAGE_BYTES,) == db.execute("PRAGMA page_size").fetchone()
        assert ("wal",) == db.execute("PRAGMA journal_mode").fetchone()
        assert ("ok",) == db.execute("PRAGMA integrity_check").fetchone()


def unpack_all(root):
    """As an earlier version kept records."""
    with closing(sqlite3.connect(root.ledger)) as db, db:
        teach(db)
        db.execute("UPDATE jobs SET record = unpack(record)")


def stored_as(root):
    with closing(sqlite3.connect(root.ledger)) as db:
        return {each for (each,) in db.execute("SELECT typeof(record) FROM jobs")}


def test_a_dry_run_lists_each_year_that_is_cut_off(one):
    log = one.path / "out" / CANVAS / "log.jsonl"
    line = {**json.loads(log.read_bytes().splitlines()[0]), "previous_sha256": None}
    years = ("2022", "2022", "2023", "2024")
    lines = [json.dumps({**line, "finished": f"{each}-05-01T00:00:00.000Z"}) for each in years]
    log.write_text("".join(each + "\n" for each in lines))
    before = log.read_bytes()
    said = [each["why"] for each in tidied(one, LOGS, dry=True)["removed"]]
    assert said == [
        "2 records go to log-2022.jsonl.gz",
        "1 records go to log-2023.jsonl.gz",
        "1 records go to log-2024.jsonl.gz",
    ]
    assert before == log.read_bytes()
    assert said == [each["why"] for each in tidied(one, LOGS)["removed"]]


def test_a_ledger_of_many_old_records_shrinks(one):
    unpack_all(one)
    with closing(sqlite3.connect(one.ledger)) as db, db:
        columns = "destination, source, kind, state, bytes, arrived, changed, detail, record"
        db.execute(
            f"INSERT INTO jobs (id, {columns}) WITH RECURSIVE n(x) AS"
            f" (SELECT 1 UNION ALL SELECT x + 1 FROM n WHERE x < 500) SELECT id || x, {columns}"
            " FROM n, (SELECT * FROM jobs WHERE state = 'delivered' LIMIT 1)"
        )
    before = one.ledger.stat().st_size
    freed = tidied(one, LOGS)["ledger_bytes_freed"]
    assert freed > 0.3 * before
    assert one.ledger.stat().st_size < 0.7 * before
