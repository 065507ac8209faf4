"""Machines on the counter, and in the story of what they made."""

from __future__ import annotations

import os

from hotfolder.ledger.lock import served_alone
from hotfolder.model.machines import MachineStatus
from hotfolder.model.snapshot import Snapshot

SINCE = "2026-03-29T12:00:00Z"


def test_the_counter_says_nothing_of_one_machine(client):
    assert "Machines" not in client.get("/").text


def test_the_counter_shows_the_machines_where_there_are_several(client, root):
    machines = (
        MachineStatus(name="desk", address="", slots=2),
        MachineStatus(name="<b>mill", address="tls://192.0.2.8:9000", slots=4, problem="is silent"),
    )
    said = Snapshot(pid=os.getpid(), started=SINCE, written=SINCE, workers=2, machines=machines)
    root.private.mkdir(exist_ok=True)
    root.snapshot.write_text(said.model_dump_json())
    with served_alone(root):
        page = client.get("/").text
    assert "<h3>Machines</h3>" in page
    assert "desk, this machine: 0 of 2 at work" in page
    assert "&lt;b&gt;mill (tls://192.0.2.8:9000): 0 of 4 at work, 0 jobs done; is silent" in page
