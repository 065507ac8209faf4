"""Folders that collide are refused, chains are made right, and swapped folders are noticed."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from faults.serving import CANVAS, daemon_of, sweep
from hotfolder.disk.marker import MARKER
from hotfolder.overview.check import check
from hotfolder.overview.new_root import make_root
from hotfolder.overview.status import collect
from hotfolder.settings.root import Root
from whole.conftest import drop, files, records, write_destination

OTHER = "prints"


@pytest.fixture
def two(small):
    """A root with two destinations alike."""
    settings = small.path / "hotfolder.toml"
    text = settings.read_text().replace('"0.1 s"', '"0 s"').replace('"0.3 s"', '"0 s"')
    settings.write_text(text)
    write_destination(small, name=OTHER)
    make_root(small.path)
    return small


def put(root, name, **folders):
    """Say in a destination's file where its folders are."""
    path = write_destination(root, name=name)
    lines = [f"{key} = {str(place)!r}" for key, place in folders.items()]
    path.write_text("\n".join([path.read_text(), "[folders]", *lines, ""]))


def said(root):
    found = check(root)
    assert found.settings is not None
    return found.settings


def refused(root):
    found = check(root)
    if found.settings is None:  # nobody is left who could be served
        return {Path(each.file).stem: str(each) for each in found.problems}
    refused = found.settings.refused
    return {name: "\n".join(map(str, each)) for name, each in refused.items()}


KINDS = ["hot_folder", "results", "held", "refused", "originals", "release"]


@pytest.mark.parametrize("kind", KINDS[1:])
@pytest.mark.parametrize("where", ["in/{0}", "in/{0}/below", "in", "{root}", "{root}/.."])
def test_no_folder_may_be_the_hot_folder_or_in_it_or_hold_it(two, kind, where):
    place = where.format(CANVAS, root=two.path)
    put(two, CANVAS, **{kind: place})
    (two.path / place).mkdir(exist_ok=True)
    problems = refused(two)
    assert [CANVAS] == [name for name in problems if name == CANVAS]
    assert f"folders.{kind}" in problems[CANVAS]
    assert "a folder of its own" in problems[CANVAS]


@pytest.mark.parametrize("place", [".", "..", "destinations", ".hotfolder", ".hotfolder/spool/x"])
def test_the_hot_folder_may_not_be_the_root_or_what_is_the_programs_own(two, place):
    put(two, CANVAS, hot_folder=place)
    assert [CANVAS] == list(refused(two))
    assert [OTHER] == list(said(two).destinations)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("other", KINDS)
def test_two_destinations_have_no_folder_in_common_but_for_a_chain(two, kind, other):
    put(two, CANVAS, **{kind: "shared"})
    put(two, OTHER, **{other: "shared"})
    (two.path / "shared").mkdir()
    is_chain = {kind, other} == {"results", "hot_folder"}
    assert ([] if is_chain else [CANVAS, OTHER]) == sorted(refused(two))


@pytest.mark.parametrize(
    "way", ["link", "link above", "dots", "case", "mount", "mount above", "fuse"]
)
def test_the_same_folder_by_another_way_is_the_same_folder(two, tmp_path, way):
    hot = two.path / "in" / CANVAS
    (hot / "sub").mkdir()
    place = tmp_path / "another way"
    mounted = None
    if way == "link":
        place.symlink_to(hot)
    elif way == "link above":
        (tmp_path / "above").symlink_to(two.path / "in")
        place = tmp_path / "above" / CANVAS
    elif way == "dots":
        place = two.path / "out" / ".." / "in" / CANVAS
    elif way == "case":  # what a file system that does not know case says of it
        place = two.path / "in" / CANVAS.upper()
        place.symlink_to(hot)
    else:
        place.mkdir()
        source = {"mount": hot, "mount above": hot / "sub", "fuse": hot}[way]
        command = ["bindfs", "--no-allow-other"] if way == "fuse" else ["mount", "--bind"]
        if shutil.which(command[0]) is None:
            pytest.skip(f"no {command[0]}")
        done = subprocess.run([*command, source, place], capture_output=True, check=False)
        if done.returncode:
            pytest.skip(f"nothing can be mounted here: {done.stderr.decode()}")
        mounted = place
    try:
        put(two, CANVAS, results=place)
        assert [CANVAS] == list(refused(two))
    finally:
        if mounted:
            subprocess.run(["umount", mounted], check=True)


def test_two_chained_destinations_that_feed_each_other_are_refused(two):
    put(two, CANVAS, results=f"in/{OTHER}")
    assert {} == refused(two)
    put(two, OTHER, results=f"in/{CANVAS}")
    assert [CANVAS, OTHER] == sorted(refused(two))


def test_init_marks_no_folder_that_collides(two):
    put(two, CANVAS, hot_folder=".")
    make_root(two.path)
    assert not (two.path / MARKER).exists()


def test_a_setting_that_makes_folders_collide_is_refused_while_a_daemon_serves(two):
    daemon = daemon_of(two)
    put(two, CANVAS, results=f"in/{CANVAS}")
    drop(two, "reeds.tif", size=24)
    daemon.run(until_idle=True)
    assert ["reeds.tif"] == files(two.path / "out" / CANVAS)
    assert 1 == len(records(two))


def test_status_says_what_collides(two):
    put(two, CANVAS, results=f"in/{CANVAS}")
    assert "folders.results" in collect(two)["destinations"][CANVAS]["settings_problem"]


@pytest.mark.parametrize("where", ["in/{0}", "in/{0}/from canvas", "in"])
def test_a_chain_takes_results_in_and_neither_logs_nor_sheets(two, where):
    if where == "in":  # the second hot folder lies in the first one's results
        put(two, CANVAS, results="chain", hot_folder="first")
        put(two, OTHER, hot_folder="chain/prints")
        hot = two.path / "first"
    else:
        put(two, CANVAS, results=where.format(OTHER))
        hot = two.path / "in" / CANVAS
    file = two.destinations / f"{CANVAS}.toml"
    stages = file.read_text().replace('"profile-conversion"', '"proof-sheet", "profile-conversion"')
    file.write_text(f'keep_sheets = "all"\n{stages}')
    make_root(two.path)
    dropped = drop(two, "prints/reeds.tif", size=24)
    if where == "in":
        (hot / "prints").mkdir()
        shutil.move(dropped, hot / "prints/reeds.tif")
    for _ in range(2):
        assert sweep(two) == []
    assert 1 == len(records(two, OTHER))
    (record,) = records(two, OTHER)
    assert record["source"].endswith("reeds.tif")
    results = said(two).destinations[CANVAS].file.folders.results
    sheets = list((two.path / results / "sheets").glob("*.html"))
    assert 2 == len(sheets), sheets
    assert 0 == collect(two)["destinations"][OTHER]["arriving"]


def test_the_manifest_and_report_of_a_batch_are_no_input_of_the_next(two):
    put(two, CANVAS, results=f"in/{OTHER}")
    file = two.destinations / f"{CANVAS}.toml"
    file.write_text(file.read_text().replace("[stage.sizing]", "[ticket]\n[stage.sizing]"))
    drop(two, "estuary/reeds.tif", size=24)
    (two.path / "in" / CANVAS / "estuary/book.csv").write_text("file,page,width\nreeds,1,20 mm\n")
    for _ in range(2):
        assert sweep(two) == []
    assert ["estuary/001-1.tif"] == [each["source"] for each in records(two, OTHER)]


@pytest.mark.parametrize("kind", ["results", "held", "originals", "hot_folder"])
def test_two_folders_that_were_swapped_are_noticed_and_nothing_is_written_there(two, kind):
    limit = "[stage.preflight]\nhold_below_ppi = 9000\n[stage.sizing]"
    write_destination(two, **{"[stage.sizing]": limit})
    drop(two, "held.tif", size=24)
    assert sweep(two) == []
    name = {"hot_folder": "in", "results": "out"}.get(kind, kind)
    one, other, aside = (two.path / name / each for each in (CANVAS, OTHER, "aside"))

    def swap():
        one.rename(aside)
        other.rename(one)
        aside.rename(other)

    swap()
    drop(two, "reeds.tif", seed=2, size=24)
    troubles = "\n".join(sweep(two))
    assert f"{OTHER}'s {kind}" in troubles
    assert f"delete the file {MARKER} in it and run `hotfolder init {two.path}`" in troubles
    swap()
    assert 1 == len(records(two))
    assert [] == records(two, OTHER)
    if kind == "hot_folder":  # the drop went where the folder was
        shutil.move(two.path / "in" / OTHER / "reeds.tif", two.path / "in" / CANVAS)
    assert sweep(two) == []
    assert ["held", "held"] == [each["state"] for each in records(two)]
    assert [None, None] == [each["discarded"] for each in records(two)]


def test_folders_that_are_swapped_while_a_job_is_in_work_get_no_result(two):
    one, other = (two.path / "out" / each for each in (CANVAS, OTHER))

    def swapping(attempt, stop):
        from faults.killing import run_here

        answer = run_here(attempt, stop)
        if not (two.path / "swapped").exists():
            one.rename(two.path / "swapped")
            other.rename(one)
            (two.path / "swapped").rename(other)
            (two.path / "swapped").mkdir()
        return answer

    drop(two, "reeds.tif", size=24)
    assert "results" in "\n".join(sweep(two, swapping))
    assert [] == files(two.path / "out")


def test_a_folder_of_another_root_is_not_taken_for_ours(two):
    (two.path / "out" / CANVAS / MARKER).write_text("0123456789abcdef\n")
    drop(two, "reeds.tif", size=24)
    assert f"run `hotfolder init {two.path}`" in "\n".join(sweep(two))
    assert [] == records(two)
    make_root(two.path)  # a person says that it is right so
    assert sweep(two) == []
    assert 1 == len(records(two))


def test_a_folder_that_settings_have_moved_is_taken_up(two, tmp_path):
    assert sweep(two) == []
    put(two, CANVAS, results=tmp_path / "elsewhere")
    make_root(two.path)
    drop(two, "reeds.tif", size=24)
    assert sweep(two) == []
    assert ["reeds.tif"] == files(tmp_path / "elsewhere")


def test_a_root_that_was_moved_as_a_whole_knows_its_folders(two, tmp_path):
    assert sweep(two) == []
    moved = tmp_path / "moved"
    two.path.rename(moved)
    root = Root(moved)
    drop(root, "reeds.tif", size=24)
    assert sweep(root) == []
    assert 1 == len(records(root))
