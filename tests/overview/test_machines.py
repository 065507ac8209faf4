"""What status says of machines."""

from __future__ import annotations

import os

from typer.testing import CliRunner

from hotfolder.cli.main import app
from hotfolder.ledger.lock import served_alone
from hotfolder.model.machines import MachineJob, MachineStatus
from hotfolder.model.snapshot import Snapshot
from hotfolder.overview.sentences import describe_machines
from hotfolder.overview.status import collect

SINCE = "2026-03-29T12:00:00Z"
MACHINES = (
    MachineStatus(name="desk", address="", slots=2, done=1),
    MachineStatus(
        name="lighthouse", address="tls://192.0.2.7:9000", slots=8, done=20,
        doing=(MachineJob(job="a-job", doing="sizing", share=0.5),), megapixels_per_minute=123.4,
    ),
    MachineStatus(
        name="mill", address="tls://192.0.2.8:9000", slots=4, since=SINCE,
        problem="is silent: it does not answer", remark="has not our stage dream",
    ),
)  # fmt: skip


def write(root, machines=MACHINES):
    root.private.mkdir(exist_ok=True)
    said = Snapshot(pid=os.getpid(), started=SINCE, written=SINCE, workers=2, machines=machines)
    root.snapshot.write_text(said.model_dump_json())


def test_each_machine_is_said_with_what_it_does_how_fast_and_what_is_wrong(root):
    write(root)
    with served_alone(root):
        here, lighthouse, mill = describe_machines(collect(root))
        printed = CliRunner().invoke(app, ["status", str(root.path)]).stdout
    assert "desk, this machine: 0 of 2 at work, 1 job done" == here
    assert (
        "lighthouse (tls://192.0.2.7:9000): 1 of 8 at work, 20 jobs done, "
        "123 megapixels a minute" == lighthouse
    )
    assert "is silent: it does not answer (since 2026-03-29" in mill
    assert mill.endswith("has not our stage dream")
    for each in (here, lighthouse, mill):
        assert each in printed.replace("\n", " ") or each in printed


def test_where_there_is_one_machine_nothing_is_said(root):
    write(root, ())
    with served_alone(root):
        assert [] == describe_machines(collect(root))
        assert "Machines" not in CliRunner().invoke(app, ["status", str(root.path)]).stdout
