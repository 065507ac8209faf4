"""A worker that stands ready before there is a job for it: used, replaced, not left behind."""

import signal

import psutil
import pytest

from faults.serving import CANVAS, run_attempt, serving
from faults.test_worker_faults import has_ended, wait_for, watch
from hotfolder.work import worker
from whole.conftest import drop, records

WHO = """
import os
from hotfolder import Stage, StageSettings
class Who(Stage):
    name = 'who'
    Settings = StageSettings
    def close(self):
        return {'worker': os.getpid()}
"""

pytestmark = pytest.mark.slow


def workers(daemon):
    """Numbers of the processes that were forked from what workers are forked from."""
    # a process that tests has other children: a browser's driver, which has some of its own
    servers = [child for child in daemon.children() if "forkserver" in " ".join(child.cmdline())]
    return {each.pid for server in servers for each in server.children()}


@pytest.fixture
def quick(quick):
    """A root whose records say which process worked."""
    quick.plugins.mkdir(exist_ok=True)
    (quick.plugins / "who.py").write_text(WHO)
    path = quick.destinations / f"{CANVAS}.toml"
    text = path.read_text().replace('["profile-conversion"]', '["profile-conversion", "who"]')
    path.write_text(text)
    return quick


def test_a_job_is_done_by_the_worker_that_stood_ready_and_another_takes_its_place(quick):
    here = psutil.Process()
    with serving(quick, run_attempt):
        wait_for(lambda: workers(here))
        (ready,) = workers(here)
        drop(quick, "mud.tif", size=24)
        wait_for(lambda: records(quick))
        wait_for(lambda: workers(here) - {ready})
        (next_one,) = workers(here) - {ready}
    (record,) = records(quick)
    assert (record["state"], record["attempts"]) == ("delivered", 1)
    assert record["findings"]["who"]["worker"] == ready
    wait_for(lambda: has_ended(next_one))


def test_one_that_is_killed_while_it_waits_costs_no_attempt(quick):
    here = psutil.Process()
    with serving(quick, run_attempt):
        wait_for(lambda: workers(here))
        (ready,) = workers(here)
        psutil.Process(ready).send_signal(signal.SIGKILL)
        wait_for(lambda: has_ended(ready))
        drop(quick, "mud.tif", size=24)
        wait_for(lambda: records(quick))
    (record,) = records(quick)
    assert (record["state"], record["attempts"]) == ("delivered", 1)


def test_a_stage_that_was_changed_meanwhile_is_the_new_one(quick):
    with serving(quick, run_attempt):
        wait_for(lambda: workers(psutil.Process()))
        (quick.plugins / "who.py").write_text(WHO.replace("os.getpid()", "'new'"))
        drop(quick, "mud.tif", size=24)
        wait_for(lambda: records(quick))
    (record,) = records(quick)
    assert record["findings"]["who"]["worker"] == "new"


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_none_is_left_behind(quick, how):
    daemon = watch(quick)
    try:
        seen = psutil.Process(daemon.pid)
        wait_for(lambda: any(workers(each) for each in (seen, *seen.children())))
        left = [each.pid for each in seen.children(recursive=True)]
        daemon.send_signal(how)
        daemon.wait()
    finally:
        daemon.kill()
        daemon.wait()
    wait_for(lambda: all(map(has_ended, left)))


@pytest.mark.parametrize("error", [OSError("no process"), EOFError()])
def test_a_next_one_that_cannot_be_started_leaves_the_one_at_work_alone(quick, monkeypatch, error):
    start, tries = worker._start_waiting, []

    def start_one():
        tries.append(None)
        if len(tries) > 1:
            raise error  # what workers are forked from was killed meanwhile
        return start()

    monkeypatch.setattr(worker, "_start_waiting", start_one)
    with serving(quick, run_attempt) as daemon:
        wait_for(lambda: workers(psutil.Process()))
        drop(quick, "mud.tif", size=24)
        wait_for(lambda: records(quick))
        assert daemon.troubles() == []
    assert len(tries) > 1
    assert "delivered" == records(quick)[0]["state"]
