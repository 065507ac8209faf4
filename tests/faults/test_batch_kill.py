"""Kill -9 at outside acts while a batch is taken in, planned, worked on and corrected.

As in `test_kill`: a sample of acts, or all with `--every-act`.
"""

from __future__ import annotations

import hashlib
import shutil

import pytest

from batch.conftest import BOOK, as_book, picture, state, table, ticket
from faults.killing import choose, sweep_in_child
from hotfolder.ledger.jobs import read_jobs
from hotfolder.settings.root import Root
from whole.conftest import records

SAMPLE = 3
ROWS = ["reeds.tif,1,,20 mm,,", "mud.tif,2,,20 mm,,", "reeds.tif,3,,30 mm,20 mm,"]


@pytest.fixture
def filled(root, loaded):
    book = as_book(root)
    settings = book.path / "hotfolder.toml"
    settings.write_text(settings.read_text().replace("workers = 0", "workers = 1"))
    file = book.destinations / f"{BOOK}.toml"
    limit = "[stage.preflight]\nhold_below_ppi = 25\n[stage.sizing]"
    file.write_text(file.read_text().replace("[stage.sizing]", limit))
    picture(book, "reeds.tif", seed=1)
    picture(book, "mud.tif", seed=2)
    picture(book, "again.tif", seed=2)
    ticket(book, [*ROWS, "mud.tif,4,,60 mm,,"])
    return book


def dropped(root):
    folder = root.path / "in" / BOOK / "estuary"
    return {hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}


def check_books(root, originals):
    """Every original is kept once, every placement done once, and nothing is left over."""
    kept = [path for path in (root.path / "originals" / BOOK).rglob("*") if is_ours(path)]
    hashes = [hashlib.sha256(path.read_bytes()).hexdigest() for path in kept]
    assert sorted(originals) == sorted(hashes)
    assert [] == [path for path in (root.path / "in").rglob("*") if is_ours(path)]
    assert [] == read_jobs(root.ledger)
    assert [] == list(root.spool.iterdir())
    ended = [(each["placement"]["page"], each["state"]) for each in records(root, BOOK)]
    assert [("1", "delivered"), ("2", "delivered"), ("3", "delivered"), ("4", "held")] == sorted(
        ended
    )
    out = root.path / "out" / BOOK / "estuary"
    results = [row["result"] for row in table(out / "manifest.csv") if row["result"]]
    assert sorted(results) == sorted(path.name for path in out.glob("*.tif"))
    assert 4 == len([line for line in state(root).lines if line.job])
    left = [path for path in root.path.rglob(".hotfolder-*") if path.name != ".hotfolder-folder"]
    assert [] == left


def is_ours(path):
    return path.is_file() and not path.name.startswith(".")


def copied(root, to):
    shutil.copytree(root.path, to)
    return Root(to)


@pytest.mark.slow(cases=1)
@pytest.mark.parametrize("after", [False, True], ids=["before", "after"])
def test_a_kill_at_any_act_loses_nothing_and_does_no_placement_twice(
    filled, tmp_path, after, every_act, record_property
):
    originals = dropped(filled)
    assert 3 == len(originals)
    acts = sweep_in_child(copied(filled, tmp_path / "counted"))
    assert acts is not None
    check_books(Root(tmp_path / "counted"), originals)
    numbers = choose(acts, SAMPLE, every=every_act, turn=int(after))
    for number in numbers:
        root = copied(filled, tmp_path / f"killed-{number}")
        assert sweep_in_child(root, number, after=after) is None, f"act {number} was not reached"
        assert sweep_in_child(root) is not None, (
            f"no end after a kill at act {number}, {acts[number - 1]}"
        )
        check_books(root, originals)
        shutil.rmtree(root.path)
    record_property("acts", f"{len(numbers)} of {len(acts)}")


SWAPPED = ["mud.tif,1,,20 mm,,", "reeds.tif,2,,20 mm,,", "reeds.tif,3,,30 mm,20 mm,"]


@pytest.mark.slow(cases=1)
@pytest.mark.parametrize("after", [True, False], ids=["after", "before"])
def test_a_kill_while_pages_change_places_leaves_each_name_right_and_nothing_lost(
    filled, tmp_path, after, every_act, record_property
):
    assert sweep_in_child(filled) is not None
    out = filled.path / "out" / BOOK
    first = {path.name: path.read_bytes() for path in (out / "estuary").glob("*.tif")}
    ticket(filled, SWAPPED)
    # paths in records are absolute: the root stays where it is and is put back each time
    saved = copied(filled, tmp_path / "saved").path

    def put_back():
        shutil.rmtree(filled.path)
        shutil.copytree(saved, filled.path)

    acts = sweep_in_child(filled)
    assert acts is not None
    check_swapped(filled, first)
    numbers = choose(acts, SAMPLE, every=every_act, turn=int(after))
    for number in numbers:
        put_back()
        assert sweep_in_child(filled, number, after=after) is None, f"act {number} was not reached"
        assert sweep_in_child(filled) is not None, f"no end after {number}, {acts[number - 1]}"
        check_swapped(filled, first)
    record_property("acts", f"{len(numbers)} of {len(acts)}")


def check_swapped(root, first):
    """Each name has what the ticket asks for, and what it had is set aside once and recorded."""
    out = root.path / "out" / BOOK
    latest = {each["job"]: each for each in records(root, BOOK)}
    asked = {
        line.name + ".tif": latest[line.job]["results"][0]["sha256"] for line in state(root).lines
    }
    there = {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in (out / "estuary").glob("*.tif")
    }
    assert asked == there
    assert first["003-1.tif"] == (out / "estuary" / "003-1.tif").read_bytes()
    aside = {path.name: path.read_bytes() for path in (out / "superseded/estuary").iterdir()}
    assert {name: first[name] for name in ("001-1.tif", "002-1.tif")} == aside
    superseded = [each for each in latest.values() if each["superseded"]]
    assert sorted(str(out / "superseded/estuary" / name) for name in aside) == sorted(
        each["results"][0]["path"] for each in superseded
    )
    assert 2 == sum(bool(each["superseded"]) for each in records(root, BOOK))
    assert [] == read_jobs(root.ledger)
    assert [] == list(root.spool.iterdir())
    left = [path for path in root.path.rglob(".hotfolder-*") if path.name != ".hotfolder-folder"]
    assert [] == left
