"""The crash matrix: every act × what can happen there × what the job was doing.

`pytest tests/faults/test_matrix.py --every-act` tries every case and prints how many there were;
without it, a spread of them.
"""

from __future__ import annotations

import json
import shutil

import pytest

from faults.killing import check_books, copied, dropped_hashes
from faults.matrix import (
    ERRORS,
    KILLS,
    Disk,
    Fault,
    check_met,
    lose_power,
    lose_power_of_originals,
    spread,
    sweep_with,
    why_no_loop_devices,
)
from faults.serving import CANVAS
from hotfolder.ledger.jobs import State, read_jobs
from hotfolder.ledger.record_log import RecordLog, link
from hotfolder.model.records import to_json_line
from tools import needs_tool
from whole.conftest import records

SPREAD = 2
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


STATES = {"claimed": 4, "working": 5, "produced": 6, "publishing": 7}
"""Which change of state of a fresh sweep it is, unless jobs and claims overtake each other."""

TRIES = 20


def killed_in(state):
    def interrupted(root):
        """A daemon has been killed with a job in this state; the next one starts.

        Jobs run beside claims, so that on a busy machine the change with a given number may be
        another one: it is done again until the state is the one that is meant.
        """
        before = copied(root, root.path.with_name(f"{root.path.name}-{state}"))
        counted = copied(before, root.path.with_name(f"{root.path.name}-{state}-counted"))
        acts = sweep_with(counted)
        shutil.rmtree(counted.path)
        assert acts is not None
        changes = [number for number, act in enumerate(acts, 1) if act == "advance"]
        number = changes[STATES[state] - 1]
        for _ in range(TRIES):
            ended = sweep_with(root, Fault("kill after", number)) is not None
            states = {row.state.value for row in read_jobs(root.ledger)}
            if not ended and state in states and "claiming" not in states:
                break
            shutil.rmtree(root.path)
            copied(before, root.path)
        else:
            pytest.fail(f"no kill after act {number} in {TRIES} tries left a job {state}: {states}")
        shutil.rmtree(before.path)

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
        assert len(records(root)) == len(dropped) + 1
    check_books(root, dropped, latest_only=name == "released")


@pytest.mark.parametrize("state", STATES)
def test_states_are_what_they_say(lean, state):
    killed_in(state)(lean)
    assert state in {row.state.value for row in read_jobs(lean.ledger)}


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
    for number in spread(len(acts), SPREAD, every=every_act):
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
    for number in spread(len(acts), SPREAD, every=every_act):
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


# planted bugs: the harness is broken on purpose and must see it


def is_seen(root, tmp_path, kinds, plant):
    """Whether any case of the matrix turns red while the program is broken."""
    dropped = dropped_hashes(root.path / "in" / CANVAS)
    acts = sweep_with(copied(root, tmp_path / "counted"), plant=plant)
    assert acts is not None
    for number in range(1, len(acts) + 1):
        for kind in kinds:
            try:
                if kind == "power loss of originals":
                    with Disk(fresh(tmp_path / f"power-{number}")) as disk:
                        mine = copied(root, tmp_path / f"originals-{number}")
                        lose_power_of_originals(disk, mine, number, plant)
                        assert sweep_with(mine) is not None
                        check_books(mine, dropped)
                elif kind == "power loss":
                    with Disk(fresh(tmp_path / f"power-{number}")) as disk:
                        mine, _ = lose_power(disk, root, number, plant=plant)
                        assert sweep_with(mine) is not None
                        check_books(mine, dropped)
                else:
                    mine = copied(root, tmp_path / f"case-{kind}-{number}")
                    sweep_with(mine, Fault(kind, number), plant)
                    assert sweep_with(mine) is not None
                    check_books(mine, dropped)
            except AssertionError:
                return True
    return False


@pytest.fixture
def one(lean):
    """One file to deliver."""
    shutil.rmtree(lean.path / "in" / CANVAS / "harbour")
    for name in ("plain.tif", "note.tif"):
        (lean.path / "in" / CANVAS / name).unlink()
    return lean


def without_flushing_files():
    from hotfolder.disk import durable, platforms

    platforms.sync_file = lambda _file: None
    durable.fsync_file = lambda _path: None


def without_flushing_folders():
    from hotfolder.disk import durable

    durable.fsync_folder = lambda _path: None


def ledger_before_log():
    def end(self, log, record, *, again=False):
        line = to_json_line(record.model_copy(update={"previous_sha256": "0" * 64}))
        row = self._ledger.end(record.job, State(record.state), json.loads(line), link(line))
        from hotfolder.disk import line_log

        line_log.append_line(log, line)
        return row

    RecordLog.end = end


@needs_loop_devices
@needs_tool("mkfs.ext4")
@pytest.mark.parametrize(
    ("plant", "kind"),
    [
        (without_flushing_files, "power loss"),
        (without_flushing_folders, "power loss of originals"),
    ],
)
def test_a_flush_left_out_turns_the_matrix_red(one, tmp_path, plant, kind):
    assert is_seen(one, tmp_path, [kind], plant)


@needs_loop_devices
@needs_tool("mkfs.ext4")
@pytest.mark.parametrize("kind", ["power loss", "power loss of originals"])
def test_with_every_flush_in_its_place_losing_power_leaves_the_matrix_green(one, tmp_path, kind):
    assert not is_seen(one, tmp_path, [kind], None)


def test_the_last_two_steps_swapped_turn_the_matrix_red(one, tmp_path):
    assert is_seen(one, tmp_path, ["kill after"], ledger_before_log)


def test_without_a_planted_bug_the_matrix_is_green(one, tmp_path):
    assert not is_seen(one, tmp_path, ["kill after"], None)
