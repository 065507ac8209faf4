"""One process serves a root, and who it is is asked of the lock and not of a number."""

from __future__ import annotations

import json
import multiprocessing
import os
import subprocess
import sys
import threading

import pytest

from hotfolder.errors import RootInUse
from hotfolder.ledger.lock import find_holder, served_alone

DEADLINE_S = 120.0


def write_holder(root, pid):
    root.spool.mkdir(exist_ok=True)
    root.holder.write_text(json.dumps({"pid": pid, "since": "2026-03-29T12:00:00Z"}))


def hold(root, held):
    with served_alone(root):
        held.set()
        threading.Event().wait(DEADLINE_S)


@pytest.fixture
def other(root):
    """Another process that serves the root."""
    context = multiprocessing.get_context("spawn")
    held = context.Event()
    process = context.Process(target=hold, args=(root, held))
    process.start()
    assert held.wait(DEADLINE_S)
    yield process
    process.kill()
    process.join(DEADLINE_S)


def test_nobody_serves_a_root_that_was_never_served(root, tmp_path):
    assert find_holder(root) is None
    assert find_holder(type(root)(tmp_path / "nowhere")) is None


def test_the_number_of_a_process_that_has_ended_serves_nothing(root):
    ended = subprocess.Popen([sys.executable, "-c", ""])
    ended.wait()
    write_holder(root, ended.pid)
    assert find_holder(root) is None


def test_the_number_of_a_living_process_serves_nothing_without_the_lock(root):
    write_holder(root, os.getpid())
    assert find_holder(root) is None


def test_who_has_the_lock_is_named_until_it_is_given_back(root):
    with served_alone(root):
        assert os.getpid() == find_holder(root).pid
        assert find_holder(root).since
    assert find_holder(root) is None


def test_another_process_is_named_and_a_killed_one_holds_nothing(root, other):
    assert other.pid == find_holder(root).pid
    with pytest.raises(RootInUse, match=f"by process {other.pid} since"), served_alone(root):
        pass
    other.kill()
    other.join(DEADLINE_S)
    assert find_holder(root) is None
    with served_alone(root):
        pass


def test_who_has_not_said_its_number_serves_all_the_same(root):
    with served_alone(root):
        root.holder.unlink()
        assert find_holder(root).pid is None
        with pytest.raises(RootInUse, match="by another process"), served_alone(root):
            pass


def test_deleting_what_is_in_the_private_folder_lets_no_second_one_in(root, other):
    for path in root.private.iterdir():
        if path.is_file():
            path.unlink()
    with pytest.raises(RootInUse), served_alone(root):
        pass


def test_who_only_asks_keeps_nobody_from_serving(root):
    root.spool.mkdir(exist_ok=True)
    asked, end = [0], threading.Event()

    def ask():
        while not end.is_set():
            find_holder(root)
            asked[0] += 1

    askers = [threading.Thread(target=ask) for _ in range(2)]
    for each in askers:
        each.start()
    try:
        for _ in range(100):
            with served_alone(root):
                assert find_holder(root).pid == os.getpid()
    finally:
        end.set()
        for each in askers:
            each.join(DEADLINE_S)
    assert asked[0] > 100
