"""What people do with held folders: copied, renamed, edited, carried off; while daemons die."""

from __future__ import annotations

import os
import shutil
import signal
from pathlib import Path

import pytest

from faults.killing import in_a_child
from faults.serving import CANVAS, daemon_of, serving, sweep
from faults.test_storage_faults import wait_for
from hotfolder.audit.chain import check_chain
from hotfolder.ending.decision import discard_job, release_job
from hotfolder.ending.release import ReleaseFolder
from hotfolder.errors import HotfolderError, SettingsError
from hotfolder.ledger.details import Held
from hotfolder.ledger.jobs import Ledger, State, read_jobs
from hotfolder.ledger.reading import open_reader
from hotfolder.overview.new_root import make_root
from hotfolder.overview.status import collect
from whole.conftest import drop, files, records


@pytest.fixture
def held(quick, monkeypatch):
    """A root with one held job, whose result was made; returns the root and the record."""
    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.02,))
    hold_small_pictures(quick)
    drop(quick, "mud.tif", size=16)
    assert sweep(quick) == []
    (record,) = records(quick)
    assert ("held", 1) == (record["state"], len(record["results"]))
    return quick, record


def hold_small_pictures(root):
    file = root.destinations / f"{CANVAS}.toml"
    text = file.read_text().replace('["profile', '["preflight", "profile')
    file.write_text(f"{text}\n[stage.preflight]\nhold_below_ppi = 5000\n")


def folder_of(root, record):
    return root.path / "held" / CANVAS / record["job"]


def release_of(root):
    return root.path / "release" / CANVAS


def ends(root):
    return [row.end for row in read_jobs(root.ledger, ended=True)]


def look_for_given_up(root, monkeypatch):
    """Sweep so that every look for held folders is a fresh one."""
    monkeypatch.setattr("hotfolder.ending.discard._AT_LEAST_EVERY_S", 0.0)
    assert sweep(root) == []


# copied and not moved


def test_a_held_folder_copied_into_release_is_released_and_leaves_no_job_held(held):
    root, record = held
    shutil.copytree(folder_of(root, record), release_of(root) / record["job"])
    assert sweep(root) == []
    assert ["held", "delivered"] == [each["state"] for each in records(root)]
    assert [] == files(root.path / "held") == files(root.path / "release")
    assert ["mud.tif"] == files(root.path / "out" / CANVAS)
    assert [] == list(root.spool.iterdir())


def test_a_copied_folder_of_a_job_that_is_held_again_is_no_obstacle(quick, monkeypatch):
    """Without a profile no pixel was made, so a release goes through the stages, which hold."""
    monkeypatch.setattr("hotfolder.daemon.trouble._RETRY_S", (0.02,))
    drop(quick, "plain.tif", size=16, profile=False)
    assert sweep(quick) == []
    (record,) = records(quick)
    shutil.copytree(folder_of(quick, record), release_of(quick) / record["job"])
    assert sweep(quick) == []
    assert [] == list(quick.spool.iterdir())
    assert ["held", "held"] == [each["state"] for each in records(quick)]
    assert [] == files(quick.path / "release")


def test_what_a_person_changed_in_either_copy_stays_in_release(held):
    root, record = held
    copy = release_of(root) / record["job"]
    shutil.copytree(folder_of(root, record), copy)
    (copy / "note.txt").write_text("bring it on Friday")
    (folder_of(root, record) / "sketch.txt").write_text("darker?")
    (folder_of(root, record) / "mud.tif").write_bytes(b"edited, in the folder that was copied")
    assert sweep(root) == []
    assert ["delivered"] == ends(root)
    rest = files(release_of(root))
    assert [f"{record['job']}/{each}" for each in ("mud.tif", "note.txt", "sketch.txt")] == rest
    assert b"edited, in" == (copy / "mud.tif").read_bytes()[:10]
    assert [] == files(root.path / "held")


def test_an_original_put_into_release_once_more_is_said_to_be_delivered(held):
    root, record = held
    shutil.copytree(folder_of(root, record), release_of(root) / record["job"])
    data = Path(record["original_kept"]).read_bytes()
    assert sweep(root) == []
    (release_of(root) / "again.tif").write_bytes(data)
    with serving(root):
        wait_for(lambda: collect(root)["destinations"][CANVAS]["remarks"])
        (said,) = collect(root)["destinations"][CANVAS]["remarks"]
    assert f"again.tif in release/ is the original of job {record['job']}, which is" in said
    assert "delete it" in said
    assert data == (release_of(root) / "again.tif").read_bytes()


def test_the_original_and_then_its_folder_put_into_release_leave_nothing_there(held):
    root, record = held
    shutil.move(record["original_kept"], release_of(root) / "mud.tif")
    folder_of(root, record).rename(release_of(root) / record["job"])
    assert sweep(root) == []
    assert ["delivered"] == ends(root)
    assert [] == files(root.path / "held") == files(root.path / "release")
    assert 1 == records(root)[1]["attempts"]


# edited, then released


def test_the_command_refuses_a_held_original_that_was_edited_and_says_what_to_do(held):
    root, record = held
    Path(record["original_kept"]).write_bytes(b"another picture")
    with pytest.raises(SettingsError) as error:
        release_job(root, record["job"], [], who="Mara", why="")
    said = str(error.value)
    assert "was changed after it was held" in said
    assert "drop it into the hot folder" in said
    assert str(root.kept / record["job"] / "mud.tif") in said
    assert folder_of(root, record).is_dir()


def test_an_edited_original_released_by_hand_is_said_with_what_to_do_which_ends_it(held):
    root, record = held
    edited = drop(root, "edited.tif", size=16, seed=7).read_bytes()
    (root.path / "in" / CANVAS / "edited.tif").unlink()
    Path(record["original_kept"]).write_bytes(edited)
    there = release_of(root) / record["job"]
    folder_of(root, record).rename(there)
    daemon = daemon_of(root)
    daemon.run(until_idle=True)
    (said,) = remarks(daemon)
    assert "mud.tif" in said
    assert "was changed after it was held" in said
    assert "drop it into the hot folder" in said
    # as it says: the changed one is dropped, and its earlier job is given up
    (there / "mud.tif").rename(root.path / "in" / CANVAS / "mud.tif")
    shutil.rmtree(there)
    assert sweep(root) == []
    assert ["discarded", "held"] == ends(root)


def remarks(daemon):
    return [each for hot in daemon._destinations.hot_folders() for each in hot.status().remarks]


def test_an_original_that_is_changed_while_its_release_is_taken_up_is_not_delivered(
    held, monkeypatch
):
    root, record = held
    advance = Ledger.advance

    def and_change(self, job, state, *detail, **changes):
        if state is State.RELEASING:
            (release_of(root) / job / "mud.tif").write_bytes(b"changed at the last moment")
        return advance(self, job, state, *detail, **changes)

    folder_of(root, record).rename(release_of(root) / record["job"])
    with monkeypatch.context() as patch:
        patch.setattr(Ledger, "advance", and_change)
        assert sweep(root) == []
    assert ["delivered"] == ends(root)
    (ended,) = read_jobs(root.ledger, ended=True)
    assert record["original"]["sha256"] == ended.record.original.sha256
    assert [f"{record['job']}/mud.tif"] == files(release_of(root))


def test_a_folder_taken_out_of_release_again_is_released_by_the_original_that_is_kept(held):
    root, record = held
    there = release_of(root) / record["job"]
    folder_of(root, record).rename(there)

    def work():
        advance = Ledger.advance

        def and_die(self, job, state, *detail, **changes):
            row = advance(self, job, state, *detail, **changes)
            if state is State.RELEASING:
                os.kill(os.getpid(), signal.SIGKILL)
            return row

        Ledger.advance = and_die
        sweep(root)

    _, status = in_a_child(work, 60)
    assert os.WIFSIGNALED(status)
    shutil.rmtree(there)
    assert sweep(root) == []
    assert ["delivered"] == ends(root)
    assert [] == list(root.spool.iterdir())


# renamed, and carried to another place


@pytest.mark.parametrize("what", ["its record", "its bytes"])
def test_a_renamed_held_folder_is_not_given_up(held, monkeypatch, what):
    root, record = held
    renamed = folder_of(root, record).rename(folder_of(root, record).with_name("ask Ms Reed"))
    if what == "its bytes":
        (renamed / "record.json").unlink()
    look_for_given_up(root, monkeypatch)
    assert ["held"] == ends(root)


@pytest.mark.parametrize("way", ["by hand", "by command", "its original"])
def test_a_renamed_held_folder_can_be_released(held, way):
    root, record = held
    renamed = folder_of(root, record).rename(folder_of(root, record).with_name("ask Ms Reed"))
    if way == "by hand":
        renamed.rename(release_of(root) / "ask Ms Reed")
    elif way == "by command":
        release_job(root, record["job"], [], who="Mara", why="")
    else:
        (renamed / "mud.tif").rename(release_of(root) / "mud.tif")
    assert sweep(root) == []
    assert ["delivered"] == ends(root)
    assert [] == files(root.path / "held") == files(root.path / "release")


def test_status_calls_a_renamed_held_folder_by_its_job_which_the_command_takes(held):
    root, record = held
    folder_of(root, record).rename(folder_of(root, record).with_name("ask Ms Reed"))
    (waiting,) = collect(root)["waiting"]
    assert ("held", record["job"]) == (waiting["what"], waiting["job"])


def test_held_jobs_are_not_given_up_when_settings_move_their_place(held, tmp_path, monkeypatch):
    root, record = held
    move_by_settings(root, held=tmp_path / "held elsewhere")
    look_for_given_up(root, monkeypatch)
    assert ["held"] == ends(root)
    release_job(root, record["job"], [], who="Mara", why="")
    assert sweep(root) == []
    assert ["delivered"] == ends(root)
    assert [] == files(root.path / "held")


def test_a_held_folder_deleted_in_the_place_that_settings_have_left_is_given_up(
    held, tmp_path, monkeypatch
):
    root, record = held
    move_by_settings(root, held=tmp_path / "held elsewhere")
    shutil.rmtree(folder_of(root, record))
    look_for_given_up(root, monkeypatch)
    assert ["discarded"] == ends(root)


def move_by_settings(root, **folders):
    """Let settings name other places, which `hotfolder init` makes."""
    file = root.destinations / f"{CANVAS}.toml"
    lines = [f'{key} = "{path}"' for key, path in folders.items()]
    file.write_text("\n".join([file.read_text(), "[folders]", *lines, ""]))
    make_root(root.path)


# given up and released across a kill


@pytest.mark.parametrize("when", ["before the ledger knows", "before the row is marked"])
def test_given_up_and_released_across_a_kill_leaves_a_whole_chain(held, tmp_path, when):
    root, record = held
    carried = tmp_path / record["job"]
    folder_of(root, record).rename(carried)

    def work():
        end = Ledger.end

        def die(self, *arguments):
            if when == "before the row is marked":
                end(self, *arguments)
            os.kill(os.getpid(), signal.SIGKILL)

        Ledger.end = die
        sweep(root)

    _, status = in_a_child(work, 60)
    assert os.WIFSIGNALED(status)
    carried.rename(release_of(root) / record["job"])
    assert sweep(root) == []
    with open_reader(root.ledger) as ledger:
        report = check_chain(ledger.db, CANVAS, root.path / "out" / CANVAS)
    assert () == report.faults
    assert ["held", "held", "delivered"] == [each["state"] for each in records(root)]


# given up and released in one instant


@pytest.mark.parametrize("moment", ["as release is looked through", "as the ledger is told"])
def test_of_giving_up_and_releasing_in_one_instant_one_wins_and_the_other_is_told(
    held, monkeypatch, moment
):
    root, record = held
    told = []

    def release():
        try:
            release_job(root, record["job"], [], who="Mara", why="")
        except HotfolderError as error:
            told.append(str(error))

    advance, look = Ledger.advance, ReleaseFolder.look

    def and_advance(self, job, state, detail=None, **changes):
        if isinstance(detail, Held) and detail.discarding:
            release()
        return advance(self, job, state, detail, **changes)

    def and_look(self, ledger):
        found = look(self, ledger)
        if self.given_up:
            monkeypatch.setattr("hotfolder.ending.decision.DISCARD_SUFFIX", ".looked-before")
            release()
        return found

    discard_job(root, record["job"], who="Ines", why="")
    if moment == "as the ledger is told":
        # the command has looked for the note before it came
        monkeypatch.setattr("hotfolder.ending.decision.DISCARD_SUFFIX", ".looked-before")
        monkeypatch.setattr(Ledger, "advance", and_advance)
    else:
        monkeypatch.setattr(ReleaseFolder, "look", and_look)
    assert sweep(root) == []
    states = ["discarded" if each.get("discarded") else each["state"] for each in records(root)]
    if moment == "as the ledger is told":
        assert ["held", "discarded"] == states
        (said,) = told
        assert "somebody else has decided" in said
    else:
        assert (["held", "delivered"], []) == (states, told)
    assert [] == files(root.path / "held") == files(root.path / "release")
