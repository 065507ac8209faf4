"""Destinations that come, change their names and go while a root is served."""

from __future__ import annotations

import shutil
import time
from dataclasses import replace
from itertools import pairwise

import pytest

from faults.conftest import loaded, quick  # noqa: F401
from faults.serving import CANVAS, serving, sweep
from faults.test_storage_faults import wait_for
from hotfolder.daemon import destinations
from hotfolder.disk.marker import MARKER
from hotfolder.intake.scan import scan
from hotfolder.overview.check import check
from hotfolder.overview.status import collect
from hotfolder.settings.root import Root
from whole.conftest import drop, records, small  # noqa: F401

pytestmark = pytest.mark.slow

PRINTS = "prints"


@pytest.fixture(autouse=True)
def gone_at_once(monkeypatch):
    monkeypatch.setattr(destinations, "_GONE_S", 0.1)
    monkeypatch.setattr("hotfolder.daemon.loop._LOOK_AT_SETTINGS_EVERY_S", 0.05)


def add(root: Root, name: str, more: str = "") -> None:
    """Add a destination, whole at once: the daemon may read it at any time."""
    text = (root.destinations / f"{CANVAS}.toml").read_text()
    written = root.destinations / f"{name}.new"
    written.write_text(text + more)
    written.rename(root.destinations / f"{name}.toml")


def drop_at(root: Root, name: str, file: str) -> None:
    drop(root, f".{file}.part", size=24).rename(root.path / "in" / name / file)


@pytest.mark.slow
def test_a_destination_that_is_added_is_served_and_its_folders_are_made(quick):  # noqa: F811
    with serving(quick):
        wait_for(quick.snapshot.exists)
        add(quick, PRINTS)
        wait_for((quick.path / "in" / PRINTS / MARKER).exists)
        drop_at(quick, PRINTS, "reeds.tif")
        wait_for(lambda: records(quick, PRINTS))
        wait_for(lambda: collect(quick)["destinations"][PRINTS]["last_scan"])
    assert ["delivered"] == [record["state"] for record in records(quick, PRINTS)]


def test_one_that_was_added_while_nothing_ran_is_served_by_a_sweep(quick):  # noqa: F811
    assert [] == sweep(quick)
    add(quick, PRINTS)
    found = check(quick)
    assert () == found.problems + found.unreachable
    assert [] == sweep(quick)
    assert (quick.path / "held" / PRINTS / MARKER).exists()


def test_an_added_one_that_is_wrong_is_said_and_served_once_it_is_right(quick):  # noqa: F811
    with serving(quick) as daemon:
        wait_for(quick.snapshot.exists)
        (quick.destinations / f"{PRINTS}.toml").write_text("stages = []\n")
        wait_for(daemon.refused)
        add(quick, PRINTS)
        wait_for((quick.path / "in" / PRINTS / MARKER).exists)
        wait_for(lambda: not daemon.refused())


def test_an_added_one_whose_folders_collide_is_refused_and_the_others_are_served(quick):  # noqa: F811
    with serving(quick) as daemon:
        wait_for(quick.snapshot.exists)
        add(quick, PRINTS, f'\n[folders]\nresults = "out/{CANVAS}"\n')
        wait_for(daemon.refused)
        drop(quick, "mud.tif", size=24)
        wait_for(lambda: records(quick, CANVAS))


def test_a_folder_that_was_there_before_is_away_and_is_not_made_anew(quick, tmp_path):  # noqa: F811
    assert [] == sweep(quick)
    shutil.move(quick.path / "in" / CANVAS, tmp_path / "elsewhere")
    (said,) = sweep(quick)
    assert "cannot be reached" in said
    assert not (quick.path / "in" / CANVAS).exists()


def test_nothing_is_made_where_the_folders_of_all_others_are_away(quick, tmp_path):  # noqa: F811
    assert [] == sweep(quick)
    shutil.move(quick.path / "in" / CANVAS, tmp_path / "elsewhere")
    add(quick, PRINTS)
    assert [] != sweep(quick)
    assert not (quick.path / "in" / PRINTS).exists()
    assert (quick.path / "out" / PRINTS).exists()


def test_one_that_has_worked_gets_no_new_folders_though_nobody_knows_the_old_ones(
    quick,  # noqa: F811
    tmp_path,
):
    drop(quick, "mud.tif", size=24)
    assert [] == sweep(quick)
    (quick.private / "folders.json").unlink()
    shutil.move(quick.path / "in" / CANVAS, tmp_path / "elsewhere")
    assert [] != sweep(quick)
    assert not (quick.path / "in" / CANVAS).exists()


def test_a_removed_one_is_not_served_and_its_jobs_wait_for_its_file(quick):  # noqa: F811
    add(quick, PRINTS)
    assert [] == sweep(quick)
    kept = quick.path / "kept.toml"
    with serving(quick) as daemon:
        wait_for(quick.snapshot.exists)
        wait_for(lambda: collect(quick)["destinations"][PRINTS]["last_scan"])
        (quick.destinations / f"{PRINTS}.toml").rename(kept)
        wait_for(lambda: daemon._destinations and PRINTS not in daemon._destinations)
        drop_at(quick, PRINTS, "reeds.tif")
        drop(quick, "mud.tif", size=24)
        wait_for(lambda: records(quick, CANVAS))
        assert (quick.path / "in" / PRINTS / "reeds.tif").exists()
        kept.rename(quick.destinations / f"{PRINTS}.toml")
        wait_for(lambda: records(quick, PRINTS))


def test_a_renamed_one_is_served_under_its_new_name(quick):  # noqa: F811
    with serving(quick):
        wait_for(quick.snapshot.exists)
        old = quick.destinations / f"{CANVAS}.toml"
        old.rename(quick.destinations / "canvas.toml")
        wait_for((quick.path / "in" / "canvas" / MARKER).exists)
        drop_at(quick, "canvas", "reeds.tif")
        wait_for(lambda: records(quick, "canvas"))


def test_a_folder_that_takes_long_to_read_rests_between_looks_and_nothing_is_missed(
    quick,  # noqa: F811
    monkeypatch,
):
    looks = []

    def slow(folder, **options):
        found = scan(folder, **options)
        looks.append(time.monotonic())
        return replace(found, elapsed_s=0.1)

    monkeypatch.setattr("hotfolder.daemon.hot_folder.scan", slow)
    with serving(quick):
        for number in range(4):
            drop_at(quick, CANVAS, f"reeds-{number}.tif")
            wait_for(lambda number=number: len(records(quick, CANVAS)) > number)
    assert 4 == len(records(quick, CANVAS))
    assert min(b - a for a, b in pairwise(looks)) >= 0.4
