"""Giving a measurement back: its folder is a hot folder like all, and nothing dropped is lost."""

import json
import time

import numpy as np
import pytest

from hotfolder.measured import book as book_module
from hotfolder.measured.book import Book
from hotfolder.measured.control_strip import remember_strip
from hotfolder.measured.folder import MeasuredFolder, make_measured_folder
from hotfolder.overview.new_root import make_root
from hotfolder.overview.status import collect
from hotfolder.settings.files import load_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from hotfolder.work.photograph import read_photograph
from measuring import files

NAME = "fine-art-canvas"


@pytest.fixture
def folder(root, strip):
    destination = load_destination(
        root.destinations / f"{NAME}.toml", load_registry(), Intake(quiet="0 s", watch="poll")
    )
    remember_strip(root, strip)
    made = MeasuredFolder(root, destination, lambda: None, read_photograph)
    yield made
    made.stop()


def serve(folder, until, seconds=20.0):
    end = time.monotonic() + seconds
    while not until():
        assert time.monotonic() < end, folder.problem
        folder._due = 0.0
        folder.turn(folder._destination)
        assert folder.problem == ""


def drop(folder, name, text):
    path = folder.book.folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    return path


def test_a_new_root_has_the_folder_and_a_later_one_gets_it(root, folder):
    assert (root.measured / NAME / "new-batch").is_dir()
    assert [] == make_measured_folder(root, NAME)


def test_a_measurement_is_kept_and_judged(root, folder, strip, printed):
    text = files.cgats(strip, printed, head=['MEASUREMENT_CONDITION "M1"'])
    path = drop(folder, "strip.txt", text)
    serve(folder, folder.book.read)
    (verdict,) = folder.book.read()
    assert not path.exists()
    assert text == (root.measured / NAME / verdict.kept).read_text()
    assert ("strip.txt", "kept/strip.txt", "M1", 1) == (
        verdict.file, verdict.kept, verdict.condition, verdict.chart,
    )  # fmt: skip
    assert {"house": True} == verdict.within
    assert verdict.from_first is None
    assert folder.is_idle() or folder.is_due()
    drop(folder, "strip.txt", files.csv(strip, printed + 0.1))
    serve(folder, lambda: len(folder.book.read()) == 2)
    assert ["kept/strip.txt", "kept/strip-2.txt"] == [each.kept for each in folder.book.read()]
    assert 0.1 == pytest.approx(folder.book.read()[1].drift["paper_b"].value, abs=1e-3)


def test_what_is_wrong_is_refused_with_a_reason_and_status_says_so(root, folder, strip, printed):
    drop(folder, "short.txt", files.cgats(strip, printed).replace("A2 ", ""))
    drop(folder, "sub/note.txt", "no measurement")
    (folder.book.folder / "link.txt").symlink_to("/etc/passwd")
    serve(folder, lambda: len(folder.book.list_refused()) == 3)
    assert [] == folder.book.read()
    why = dict(folder.book.list_refused())
    assert "line 10: 6 values, but the table has 7 fields" in why["short.txt"]
    assert "no line names columns" in why["note.txt"]
    assert "is no file" in why["link.txt"]
    assert (folder.book.refused / "link.txt").is_symlink()
    said = [each for each in collect(root)["waiting"] if each["what"] == "measurement refused"]
    assert ["link.txt", "note.txt", "short.txt"] == sorted(each["file"] for each in said)
    (folder.book.refused / "short.txt").unlink()
    assert 2 == len(folder.book.list_refused())


def test_a_kill_between_keeping_and_judging_loses_and_doubles_nothing(
    folder, strip, printed, monkeypatch
):
    class Killed(BaseException):
        pass

    def kill(*_):
        raise Killed

    drop(folder, "strip.txt", files.cgats(strip, printed))
    folder._settler.update([])
    with monkeypatch.context() as patched:
        patched.setattr(book_module.line_log, "append_line", kill)
        with pytest.raises(Killed):
            serve(folder, lambda: False)
    assert [] == folder.book.read()
    assert (folder.book.kept / "strip.txt").exists()
    after = MeasuredFolder(folder._root, folder._destination, lambda: None, read_photograph)
    serve(after, after.book.read)
    after._has_looked_back = False
    after._due = 0.0
    after.turn(folder._destination)
    assert 1 == len(after.book.read())
    after.stop()


def test_a_new_batch_and_a_new_profile_begin_a_new_chart(folder, strip, printed):
    drop(folder, "1.txt", files.cgats(strip, printed))
    serve(folder, folder.book.read)
    other = printed + [-2.0, 1.0, -9.0] * (printed[:, :1] / 94) ** 2
    drop(folder, "2.txt", files.cgats(strip, other))
    serve(folder, folder.book.list_refused)
    assert "new-batch/" in folder.book.list_refused()[0][1]
    drop(folder, "new-batch/3.txt", files.cgats(strip, other))
    serve(folder, lambda: len(folder.book.read()) == 2)
    assert 2 == folder.book.read()[1].chart
    drop(folder, "4.txt", files.cgats(strip, other + 0.05))
    serve(folder, lambda: len(folder.book.read()) == 3)
    last = folder.book.read()[2]
    assert 2 == last.chart
    assert last.from_first is not None


def test_a_share_that_is_away_is_said_and_nothing_is_made_in_its_place(root, folder):
    (root.measured / NAME / ".hotfolder-folder").unlink()
    folder.turn(folder._destination)
    assert "marks it as ours" in folder.problem
    assert folder.is_idle()
    (said,) = (each for each in collect(root)["waiting"] if each["what"] == "stopped")
    assert "hotfolder init" in said["why"]
    make_root(root.path)
    folder._due = 0.0
    folder.turn(folder._destination)
    assert "" == folder.problem


def test_the_log_outlives_a_torn_line(root, folder, strip, printed):
    drop(folder, "1.txt", files.cgats(strip, printed))
    serve(folder, folder.book.read)
    with (root.measured / NAME / "verdicts.jsonl").open("ab") as log:
        log.write(b'{"version": 1, "dest')
    drop(folder, "2.txt", files.cgats(strip, np.round(printed + 0.1, 3)))
    serve(folder, lambda: len(folder.book.read()) == 2)
    lines = (root.measured / NAME / "verdicts.jsonl").read_text().splitlines()
    assert ["1.txt", "2.txt"] == [json.loads(each)["file"] for each in lines]
    assert 2 == len(Book(root, NAME).read())
