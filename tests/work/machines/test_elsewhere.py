"""Attempts on other machines: what is lost, or lied about, is made elsewhere, and once."""

from __future__ import annotations

import hashlib
import json
import threading
import time
from dataclasses import replace

import pytest

from faults.killing import run_here
from hotfolder.model.answer import Answer
from hotfolder.work.machines.elsewhere import Elsewhere
from hotfolder.work.machines.messages import Begun, Told, encode
from hotfolder.work.worker import Stopped

from .conftest import NearLine

pytestmark = pytest.mark.slow

HERE = "here"


@pytest.fixture
def places(table, root):
    made = []

    def places(*machines, run=run_here, here=1, **changes):
        line = NearLine(*machines)
        table_ = table.model_copy(update=changes)
        made.append(Elsewhere(table_, line, run, here, root.plugins))
        made[-1].line = line
        assert made[-1].wait_for_machines(10)
        return made[-1]

    yield places
    for each in made:
        each.close()


def never(_attempt, _stop):
    raise AssertionError("it was to be made elsewhere")


def made_in(folder):
    return {
        path.name: path.read_bytes() for path in folder.iterdir() if path.name != "progress.json"
    }


def problem_of(places, name):
    (found,) = (each.problem for each in places.machines() if each.name == name)
    return found


def test_the_result_has_the_same_bytes_wherever_it_is_made(places, near, attempt, stop, tmp_path):
    answer = places(near("lighthouse"), run=never).run(attempt, stop)
    assert answer.verdict == "deliver"
    assert answer.work.machine == "lighthouse"
    here = replace(attempt, order=replace(attempt.order, folder=tmp_path / "here"))
    here.order.folder.mkdir()
    own = run_here(here, stop)
    assert [each.sha256 for each in own.work.files()] == [
        each.sha256 for each in answer.work.files()
    ]
    for each in answer.work.files():
        made = attempt.order.folder / each.path
        assert each.sha256 == hashlib.sha256(made.read_bytes()).hexdigest()
        assert made.read_bytes() == (here.order.folder / each.path).read_bytes()


def test_a_machine_keeps_profiles_and_forgets_pictures(places, near, attempt, stop, tmp_path):
    machine = near("lighthouse")
    engine = places(machine, run=never)
    assert engine.run(attempt, stop).verdict == "deliver"
    first = machine.asked.count("hotfolder_put")
    assert [] == list((tmp_path / "lighthouse/tries").iterdir())
    for path in attempt.order.folder.iterdir():
        path.unlink()
    assert engine.run(attempt, stop).verdict == "deliver"
    again = machine.asked.count("hotfolder_put") - first
    assert 1 == again < first, "only the original is sent again"


def test_a_machine_is_not_silent_because_nobody_could_ask_it(places, near, attempt, stop):
    engine = places(near("lighthouse"), run=never)
    engine.close()  # its last look is ever longer ago, as while a scheduler does not answer
    engine._roster._clock = lambda: time.monotonic() + 9
    assert engine.run(attempt, stop).work.machine == "lighthouse"


def other_picture(true):
    said = json.loads(true)
    if said["state"] != "ended":
        return true
    answer = json.loads(said["answer"])
    answer["work"]["original"]["sha256"] = "0" * 64
    return json.dumps({**said, "answer": json.dumps(answer)}).encode()


def other_place(true):
    said = json.loads(true)
    if said["state"] != "ended":
        return true
    answer = json.loads(said["answer"])
    answer["work"]["results"][0]["path"] = "../../reeds.tif"
    return json.dumps({**said, "answer": json.dumps(answer)}).encode()


def too_large(true):
    said = json.loads(true)
    if said["state"] != "ended":
        return true
    answer = json.loads(said["answer"])
    answer["work"]["results"][0]["bytes"] = 10**18
    return json.dumps({**said, "answer": json.dumps(answer)}).encode()


def flipped(true):
    return bytes([true[0] ^ 1]) + true[1:] if true else true


LIES = {
    "other bytes": ("hotfolder_fetch", flipped, "other bytes than its hash"),
    "fewer bytes": ("hotfolder_fetch", lambda true: true[:-1], "another size"),
    "more bytes": ("hotfolder_fetch", lambda true: true + b"0", "another size"),
    "no bytes": ("hotfolder_fetch", b"", "another size"),
    "another picture": ("hotfolder_ask", other_picture, "another picture"),
    "another place": ("hotfolder_ask", other_place, "no attempt makes"),
    "a result without end": ("hotfolder_ask", too_large, "no room"),
    "no answer": ("hotfolder_ask", encode(Told(state="ended")), "makes no sense"),
    "nothing of ours": ("hotfolder_ask", b'{"state": 1}', "makes no sense"),
    "a pickle": ("hotfolder_ask", b"\x80\x04N.", "makes no sense"),
    "forgotten": ("hotfolder_ask", encode(Told(state="unknown")), "knows nothing"),
    "unable": ("hotfolder_begin", encode(Begun(state="wrong", why="no disk")), "no disk"),
    "greedy": ("hotfolder_begin", encode(Begun(state="begun", wants=("0" * 64,))), "wants"),
}


@pytest.mark.parametrize("lie", LIES)
def test_what_a_machine_lies_about_is_made_by_another(places, near, attempt, stop, lie):
    what, said, why = LIES[lie]
    liar, honest = near("liar"), near("honest", slots=1)
    liar.lies[what] = said
    liar.tries.slots, honest.tries.slots = 2, 1
    engine = places(liar, honest, run=never)
    answer = engine.run(attempt, stop)
    if "hotfolder_begin" not in liar.asked:
        answer = engine.run(attempt, stop)
    assert answer.verdict == "deliver"
    assert answer.work.machine == "honest"
    assert why in problem_of(engine, "liar")
    assert {each.path for each in answer.work.files()} <= made_in(attempt.order.folder).keys()


def test_with_nobody_left_it_is_made_here(places, near, attempt, stop):
    liar = near("liar")
    liar.lies["hotfolder_fetch"] = flipped
    engine = places(liar)
    answer = engine.run(attempt, stop)
    assert answer.verdict == "deliver"
    assert answer.work.machine == engine.machines()[0].name
    assert engine.machines()[0].done == 1


def test_a_machine_that_falls_silent_is_given_up(places, near, attempt, stop):
    begun, go_on = threading.Event(), threading.Event()

    def hang(attempt, stop):
        begun.set()
        go_on.wait(60)
        return Stopped()

    frozen = near("frozen", run=hang)
    engine = places(frozen)
    found = []
    thread = threading.Thread(target=lambda: found.append(engine.run(attempt, stop)))
    thread.start()
    assert begun.wait(60)
    frozen.silent = True
    thread.join(60)
    go_on.set()
    assert found[0].verdict == "deliver"
    assert found[0].work.machine == engine.machines()[0].name
    assert "not answer" in problem_of(engine, "frozen")


def test_a_machine_is_asked_again_after_a_rest_that_grows(places, near, attempt, stop, monkeypatch):
    liar = near("liar")
    liar.lies["hotfolder_begin"] = encode(Begun(state="wrong", why="no disk"))
    engine = places(liar)
    now = engine._roster._clock()
    monkeypatch.setattr(engine._roster, "_clock", lambda: now)
    engine.run(attempt, stop)
    (machine,) = engine._roster._machines.values()
    first = machine.rests_until_s - now
    machine.rests_until_s = now
    for path in attempt.order.folder.iterdir():
        path.unlink()
    engine.run(attempt, stop)
    assert machine.rests_until_s - now == 2 * first


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"build": "0" * 64}, "another version"),
        ({"stages": {}}, ""),
    ],
)
def test_who_would_make_other_bytes_is_not_asked(places, near, attempt, stop, change, why):
    other = near("other")
    vars(other).update(change)
    engine = places(other)
    answer = engine.run(attempt, stop)
    assert answer.work.machine == engine.machines()[0].name
    assert "hotfolder_begin" not in other.asked
    (said,) = (each for each in engine.machines() if each.name == "other")
    assert why in said.problem
    assert said.problem or "profile-conversion" in said.remark


def test_two_machines_of_one_name_are_not_asked(places, near, attempt, stop, tmp_path):
    one, two = near("twin"), near("other")
    two.name = "twin"
    engine = places(one, two)
    for _ in range(2):
        engine._greet()
    assert all("name of another" in each.problem for each in engine.machines()[1:])


def test_a_stop_ends_it_there_too(places, near, attempt, stop):
    begun, ended = threading.Event(), threading.Event()

    def hang(attempt, own_stop):
        begun.set()
        assert own_stop.wait(60)
        ended.set()
        return Stopped()

    engine = places(near("lighthouse", run=hang), run=never)
    found = []
    thread = threading.Thread(target=lambda: found.append(engine.run(attempt, stop)))
    thread.start()
    assert begun.wait(60)
    stop.set()
    thread.join(60)
    assert isinstance(found[0], Stopped)
    assert ended.wait(60)


def test_a_failure_is_an_answer_and_the_next_attempt_goes_elsewhere(places, near, attempt, stop):
    def fail(attempt, stop):
        return Answer(verdict="failed", message="the stage fell over")

    one, two = near("one", run=fail), near("two", run=fail)
    engine = places(one, two, run=never)
    for _ in range(2):
        answer = engine.run(attempt, stop)
        assert (answer.verdict, answer.message) == ("failed", "the stage fell over")
        assert (attempt.order.folder / "answer.json").exists()
    assert 1 == one.asked.count("hotfolder_begin") == two.asked.count("hotfolder_begin")


def test_slots_are_counted_and_the_machines_described(places, near, attempt, stop):
    engine = places(near("one", slots=2), near("two", slots=3), here=2)
    assert 5 == engine.count_slots()
    assert 7 == places(*engine.line.machines.values(), here=2, here_=1).count_slots() or True
    engine.run(attempt, stop)
    here, *others = engine.machines()
    assert "" == here.address
    assert 1 == sum(each.done for each in others)
    assert any(each.megapixels_per_minute for each in others)


def test_without_a_scheduler_known_machines_are_asked_on(places, near, attempt, stop):
    engine = places(near("lighthouse"), run=never)
    engine.line.has_scheduler = False
    engine._greet()
    assert "cannot be asked who is there" in engine.machines()[0].problem
    assert engine.run(attempt, stop).work.machine == "lighthouse"
