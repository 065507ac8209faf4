"""The crash matrix: every act × what can happen there × what the job was doing.

`pytest tests/faults/test_matrix.py --every-act` tries every case and prints how many there were;
without it, one act for each kind of fault in each
scenario, so chosen that each kind of act comes several times.
"""

from __future__ import annotations

import contextlib
import shutil

import pytest

from faults.killing import check_books, choose, copied, dropped_hashes
from faults.matrix import (
    ERRORS,
    KILLS,
    Disk,
    Fault,
    KilledIn,
    check_met,
    lose_power,
    lose_power_of_originals,
    sweep_with,
    why_no_loop_devices,
)
from faults.serving import CANVAS
from hotfolder.disk import durable, line_log, platforms
from hotfolder.ledger.jobs import State, read_jobs
from hotfolder.ledger.record_log import RecordLog
from hotfolder.model.records import to_json_line
from tools import needs_tool
from whole.conftest import records

CONTROL = 6
"""Acts of the sample that must stay green while nothing is planted."""
needs_loop_devices = pytest.mark.skipif(bool(why_no_loop_devices()), reason=why_no_loop_devices())


@pytest.fixture
def lean(filled):
    """Four files that end in three ways, in a root that fits onto a small disk."""
    for profile in filled.profiles.iterdir():
        if profile.name != "matte-canvas.icc":
            profile.unlink()
    settings = filled.path / "hotfolder.toml"
    lines = [
        'free_space = "1 MiB"' if line.startswith("free_space") else line
        for line in settings.read_text().splitlines()
    ]
    settings.write_text("\n".join(lines) + "\n")
    return filled


def nothing(_root):
    """Files have just been dropped."""


def released(root):
    """All jobs have ended; the one that was held has just been put into release/."""
    assert sweep_with(root) is not None
    (held,) = (record for record in records(root) if record["state"] == "held")
    shutil.move(root.path / "held" / CANVAS / held["job"], root.path / "release" / CANVAS)


STATES = ("claimed", "working", "produced", "publishing")


def killed_in(state):
    def interrupted(root):
        """A daemon has been killed with a job in this state; the next one starts."""
        files = len([*(root.path / "in" / CANVAS).rglob("*.tif")])
        assert sweep_with(root, KilledIn(State(state), files)) is None
        states = {row.state.value for row in read_jobs(root.ledger)}
        assert state in states
        assert "claiming" not in states

    return interrupted


SCENARIOS = {"fresh": nothing, "released": released} | {state: killed_in(state) for state in STATES}


class Prepared:
    """A root in which jobs are doing something, made once and as it was for every case.

    Its files are copies, with other inodes than the ledger may know: no state of `STATES` is one
    in which a claim is half-way and asks for them.
    """

    def __init__(self, root, to, name):
        self._root = copied(root, to)  # always at this place: its ledger says where things are
        SCENARIOS[name](self._root)
        self._kept = copied(self._root, to.with_name(f"{to.name}-kept"))

    def again(self):
        shutil.rmtree(self._root.path)
        return copied(self._kept, self._root.path)


def check_all(root, dropped, name):
    """The books; a job that was released has said two things, and its last word counts."""
    if name == "released":
        said = [record["job"] for record in records(root)]
        assert len(said) == len({*said}) + 1
    check_books(root, dropped, latest_only=name == "released")


@pytest.mark.parametrize("state", STATES)
def test_states_are_what_they_say(lean, state):
    killed_in(state)(lean)


@pytest.mark.parametrize("name", SCENARIOS)
@pytest.mark.parametrize("kind", [*KILLS, *ERRORS])
def test_a_fault_at_any_act_loses_nothing_and_does_nothing_twice(
    lean, tmp_path, kind, name, every_act, record_property
):
    dropped = dropped_hashes(lean.path / "in" / CANVAS)
    prepared = Prepared(lean, tmp_path / "case", name)
    acts = sweep_with(prepared.again())
    assert acts is not None
    cases = 0
    turn = [*KILLS, *ERRORS].index(kind) * len(SCENARIOS) + [*SCENARIOS].index(name)
    for number in choose(acts, 1, every=every_act, turn=turn):
        root = prepared.again()
        where = f"{name}: {kind} at act {number}, {acts[number - 1]}"
        ended = sweep_with(root, Fault(kind, number))
        met = kind not in KILLS or check_met(ended, number)
        if kind not in KILLS:
            assert ended is not None, where
        assert sweep_with(root) is not None, where
        try:
            check_all(root, dropped, name)
        except AssertionError as error:
            raise AssertionError(where) from error
        cases += met
    record_property("cases", cases)


@needs_loop_devices
@needs_tool("mkfs.ext4")
@pytest.mark.parametrize("name", SCENARIOS)
def test_power_lost_at_any_act_loses_nothing_and_does_nothing_twice(
    lean, tmp_path, name, every_act, record_property
):
    dropped = dropped_hashes(lean.path / "in" / CANVAS)
    acts = sweep_with(Prepared(lean, tmp_path / "counted", name).again())
    assert acts is not None
    cases = 0
    turn = [*SCENARIOS].index(name)
    for number in choose(acts, 1, every=every_act, turn=turn):
        with Disk(fresh(tmp_path / f"power-{number}")) as disk:
            root, met = lose_power(disk, lean, number, prepare=SCENARIOS[name])
            where = f"{name}: power lost at act {number}, {acts[number - 1]}"
            assert sweep_with(root) is not None, where
            try:
                check_all(root, dropped, name)
            except AssertionError as error:
                raise AssertionError(where) from error
        shutil.rmtree(disk.image.parent)
        cases += met
    record_property("cases", cases)


def fresh(folder):
    folder.mkdir()
    return folder


# planted bugs: the harness is broken on purpose and must see it, for the reason that was planted


def find_seen(root, tmp_path, kinds, plant, reason="", *, every=True):
    """What a case of the matrix that turns red for a reason says while the program is broken.

    "" when none does. From the last act to the first: most of what is lost shows when all is said
    to be done.
    """
    dropped = dropped_hashes(root.path / "in" / CANVAS)
    counted = copied(root, tmp_path / "counted")
    acts = sweep_with(counted, plant=plant)
    assert acts is not None
    check_books(counted, dropped)  # what was planted is harmless as long as nothing happens
    for number in reversed(choose(acts, CONTROL, every=every)):
        for kind in kinds:
            with break_at(root, tmp_path, kind, number, plant) as broken:
                assert sweep_with(broken) is not None
                try:
                    check_books(broken, dropped)
                except AssertionError as error:
                    if reason in str(error):
                        return str(error)
    return ""


@contextlib.contextmanager
def break_at(root, tmp_path, kind, number, plant):
    """A root that met a fault at an act of a sweep with a planted bug."""
    if kind == "power loss of originals":
        with Disk(fresh(tmp_path / f"power-{number}")) as disk:
            mine = copied(root, tmp_path / f"originals-{number}")
            lose_power_of_originals(disk, mine, number, plant)
            yield mine
    elif kind == "power loss":
        with Disk(fresh(tmp_path / f"power-{number}")) as disk:
            mine, _ = lose_power(disk, root, number, plant=plant)
            yield mine
    else:
        mine = copied(root, tmp_path / f"case-{kind}-{number}")
        sweep_with(mine, Fault(kind, number), plant)
        yield mine


@pytest.fixture
def one(lean):
    """One file to deliver."""
    shutil.rmtree(lean.path / "in" / CANVAS / "harbour")
    for name in ("plain.tif", "plain.tif.xmp", "note.tif"):
        (lean.path / "in" / CANVAS / name).unlink()
    return lean


def without_flushing_files():
    platforms.sync_file = lambda _file: None
    durable.fsync_file = lambda _path: None


def without_flushing_folders():
    durable.fsync_folder = lambda _path: None


def ledger_before_log():
    def end(self, log, record, *, again=False, before=None):
        previous = self._find_previous(log, record.destination)
        record = self._ledger.places.shorten_record(record)
        line = to_json_line(record.model_copy(update={"previous_sha256": previous}))
        row = self._ledger.end(record, line)
        line_log.append_line(log, line)
        return row

    RecordLog.end = end


@needs_loop_devices
@needs_tool("mkfs.ext4")
@pytest.mark.parametrize(
    ("plant", "kind", "reason"),
    [
        (without_flushing_files, "power loss", "each result is there once"),  # one is empty
        (without_flushing_folders, "power loss of originals", "each original is kept once"),
    ],
)
def test_a_flush_left_out_turns_the_matrix_red(one, tmp_path, plant, kind, reason):
    assert reason in find_seen(one, tmp_path, [kind], plant, reason)


@needs_loop_devices
@needs_tool("mkfs.ext4")
@pytest.mark.parametrize("kind", ["power loss", "power loss of originals"])
def test_with_every_flush_in_its_place_losing_power_leaves_the_matrix_green(
    one, tmp_path, kind, every_act
):
    assert find_seen(one, tmp_path, [kind], None, every=every_act) == ""


def test_the_last_two_steps_swapped_turn_the_matrix_red(one, tmp_path):
    reason = "exactly one line in a log"
    assert reason in find_seen(one, tmp_path, ["kill after"], ledger_before_log, reason)


def test_without_a_planted_bug_the_matrix_is_green(one, tmp_path, every_act):
    assert find_seen(one, tmp_path, ["kill after"], None, every=every_act) == ""
