"""Machines that are killed while they work; `python tests/faults/machines.py` is the long form."""

from __future__ import annotations

import os
import random
import signal

import pytest

pytest.importorskip("distributed")

from faults.killing import check_books
from faults.machines import a_world, wait_for
from hotfolder.model.snapshot import read_snapshot
from whole.conftest import records

JOBS = 6


def test_machines_and_scheduler_are_killed_and_each_file_ends_once():
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
    assert made_by & set(world.names), "other machines made none of them"
    here, *others = snapshot.machines
    assert "" == here.address
    assert {each.name for each in others} <= set(world.names)
    assert others
