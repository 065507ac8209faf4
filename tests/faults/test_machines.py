"""Machines that are killed while they work; `python tests/faults/machines.py` is the long form."""

from __future__ import annotations

import os
import random
import signal
import threading
import tomllib

import pytest

pytest.importorskip("distributed")

from faults.killing import check_books, run_here
from faults.machines import a_world, wait_for
from hotfolder.model.snapshot import read_snapshot
from hotfolder.work.order import Order
from hotfolder.work.worker import Attempt
from whole.conftest import records

JOBS = 6


def make_here(root, record, folder):
    """Make a result once more, on this machine; return its hash."""
    path = root.destinations / f"{record['destination']}.toml"
    order = Order(
        job=record["job"],
        original=root.path / record["original_kept"],
        name=record["original"]["name"],
        sha256=record["original"]["sha256"],
        bytes=record["original"]["bytes"],
        folder=folder / record["job"],
        profiles=root.profiles,
    )
    order.folder.mkdir()
    raw = tomllib.loads(path.read_text())
    answer = run_here(Attempt(order, path, raw, root.plugins, 60.0, 2**32), threading.Event())
    return answer.work.results[0].sha256


def test_machines_and_scheduler_are_killed_and_each_file_ends_once(tmp_path):
    """And each result has the bytes that it has when it is made here."""
    chance = random.Random(1)
    with a_world(2, networks=False) as world:
        dropped = world.make(JOBS)
        world.begin()
        wait_for(lambda: world.count_ended() >= 1, 120, "the first picture")
        world.hit("kill machine", chance)
        world.hit("kill scheduler", chance)
        wait_for(lambda: world.count_ended() == JOBS, 120, "all pictures")
        snapshot = read_snapshot(world.root.snapshot)
        daemon = world.running["daemon"]
        os.kill(daemon.pid, signal.SIGTERM)
        assert 0 == daemon.wait(60)
        check_books(world.root, dropped)
        made_by = {record["machine"] for record in records(world.root)}
        for record in records(world.root):
            assert record["results"][0]["sha256"] == make_here(world.root, record, tmp_path)
    assert made_by & set(world.names), "other machines made none of them"
    here, *others = snapshot.machines
    assert "" == here.address
    assert {each.name for each in others} <= set(world.names)
    assert others
