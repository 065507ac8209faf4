"""What a machine does with orders: pieces, hashes, leases, and nothing left behind."""

from __future__ import annotations

import hashlib
import threading
from dataclasses import replace

import pytest

from faults.killing import run_here
from hotfolder.stages.registry import Registry, load_registry
from hotfolder.work.machines.build import hash_build, hash_stages
from hotfolder.work.machines.errand import NotToBeSent, make_order
from hotfolder.work.machines.messages import (
    MOST_SAID_BYTES,
    Fetch,
    NotUnderstood,
    Piece,
    Question,
    Told,
    TryOrder,
    decode,
    encode,
)
from hotfolder.work.machines.tries import Tries
from hotfolder.work.worker import Stopped


@pytest.fixture
def make(tmp_path):
    made = []

    def make(run=run_here, **options):
        folder = tmp_path / "machine"
        made.append(Tries(folder, 1, folder / "plugins", run=run, **options))
        return made[-1]

    yield make
    for each in made:
        each.close()


@pytest.fixture
def order(attempt):
    return make_order(attempt, 1.0)


def put_all(tries, order, attempt):
    begun = tries.begin(order)
    while begun.wants:
        sha256 = begun.wants[0]
        path = attempt.order.original
        for each in order.profiles:
            if each.sha256 == sha256:
                path = attempt.order.profiles / each.name
        piece = Piece(token=order.token, sha256=sha256, offset=0)
        begun = tries.put(piece, path.read_bytes())
    return begun


def left(tries):
    return sorted(path.name for path in tries._folder.rglob("*") if path.is_file())


def test_a_file_with_another_hash_ends_the_try(make, order, attempt):
    tries = make()
    wants = tries.begin(order).wants
    content = next(each for each in (*order.profiles, order.original) if each.sha256 == wants[0])
    piece = Piece(token=order.token, sha256=wants[0], offset=0)
    said = tries.put(piece, bytes(content.bytes))
    assert ("wrong", True) == (said.state, "other bytes" in said.why)
    assert [] == left(tries)
    assert "unknown" == tries.ask(Question(token=order.token)).state


@pytest.mark.parametrize("offset", [1, 10**9])
def test_a_piece_out_of_turn_ends_the_try(make, order, offset):
    tries = make()
    wants = tries.begin(order).wants
    said = tries.put(Piece(token=order.token, sha256=wants[0], offset=offset), b"x")
    assert "wrong" == said.state
    assert [] == left(tries)


def test_more_than_a_file_has_ends_the_try(make, order):
    tries = make()
    wants = tries.begin(order).wants
    content = next(each for each in (*order.profiles, order.original) if each.sha256 == wants[0])
    piece = Piece(token=order.token, sha256=wants[0], offset=0)
    assert "wrong" == tries.put(piece, bytes(content.bytes + 1)).state


def test_a_machine_that_is_full_says_so_and_takes_a_job_once(make, order, attempt):
    tries = make()
    assert "begun" == tries.begin(order).state
    assert "busy" == tries.begin(order).state
    tries.slots = 2
    assert "wrong" == tries.begin(order).state


def test_nobody_asks_and_the_try_is_given_up(make, order, attempt):
    now = [0.0]
    begun, ended = threading.Event(), threading.Event()

    def hang(attempt, stop):
        begun.set()
        assert stop.wait(60)
        ended.set()
        return Stopped()

    tries = make(hang, clock=lambda: now[0])
    assert "begun" == put_all(tries, order, attempt).state
    assert begun.wait(60)
    now[0] = order.lease_s - 0.1
    assert [] == tries.end_forgotten()
    now[0] = order.lease_s + 0.1
    assert [order.job] == tries.end_forgotten()
    assert ended.wait(60)
    tries.close()
    assert [] == list((tries._folder / "tries").iterdir())


def test_only_what_was_made_can_be_fetched(make, order, attempt):
    tries = make()
    put_all(tries, order, attempt)
    assert "ended" == tries.ask(Question(token=order.token, wait_s=30)).state
    for path in ("../original", "/etc/passwd", "nothing.tif", ".", ".."):
        assert b"" == tries.fetch(Fetch(token=order.token, path=path, offset=0))
    assert tries.fetch(Fetch(token=order.token, path="result.tif", offset=0))
    assert b"" == tries.fetch(Fetch(token="0" * 32, path="result.tif", offset=0))


@pytest.mark.parametrize("name", ["../up.icc", "/etc/passwd", ""])
def test_a_profile_elsewhere_is_not_written(make, order, name):
    profile = order.profiles[0].model_copy(update={"name": name})
    said = make().begin(order.model_copy(update={"profiles": (profile,)}))
    assert "wrong" == said.state


def test_an_original_in_a_shared_folder_is_not_sent(make, order, attempt, root):
    tries = make(shared=root.path)
    assert order.original.sha256 not in tries.begin(order).wants


def test_an_original_that_changed_in_the_shared_folder_is_sent(make, order, attempt, root):
    attempt.order.original.write_bytes(b"other")
    assert order.original.sha256 in make(shared=root.path).begin(order).wants


def test_what_lies_beside_the_shared_folder_is_not_read(make, order, root):
    assert order.original.sha256 in make(shared=root.path / "out").begin(order).wants


def test_what_an_earlier_process_left_goes(make, tmp_path):
    old = tmp_path / "machine/tries/abc"
    old.mkdir(parents=True)
    (old / "original").write_bytes(b"x")
    tries = make()
    assert [] == left(tries)


def test_an_order_names_the_profiles_that_settings_name_and_no_other(order, attempt):
    assert ["matte-canvas.icc"] == [each.name for each in order.profiles]
    data = (attempt.order.profiles / "matte-canvas.icc").read_bytes()
    assert hashlib.sha256(data).hexdigest() == order.profiles[0].sha256


def test_settings_that_json_cannot_say_are_not_sent(attempt):
    with pytest.raises(NotToBeSent):
        make_order(replace(attempt, destination_raw={"title": float("nan")}), 1.0)


@pytest.mark.parametrize(
    "said", [b"", b"[]", b"{}", b"[" * 100_000, b"0" * (MOST_SAID_BYTES + 1), None, "text", 7]
)
def test_a_message_that_is_none_is_not_understood(said):
    for model in (Told, TryOrder):
        with pytest.raises(NotUnderstood):
            decode(model, said)


def test_an_order_comes_as_it_was_sent(order):
    assert order == decode(TryOrder, encode(order))


def test_a_build_and_a_stage_are_known_by_their_source(tmp_path):
    assert hash_build() == hash_build()
    plugins = tmp_path / "plugins"
    plugins.mkdir()
    path = plugins / "own.py"
    text = (
        "from hotfolder import Stage\n"
        "class Own(Stage):\n    name = 'own-stage'\n"
        "    def bands(self, source):\n        yield from source\n"
    )
    path.write_text(text)
    registry = load_registry(plugins)
    only = Registry({"own-stage": registry.stages["own-stage"]})
    before = hash_stages(only)
    path.write_text(text + "# other\n")
    assert before != hash_stages(only)
