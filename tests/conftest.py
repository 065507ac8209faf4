"""Fixtures for all tests: no thread may be left behind, and a root that works."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import psutil
import pytest
from hypothesis import settings

from dealing import deal, keep_first_and_last
from hotfolder.disk import processes
from hotfolder.settings.root import Root
from hotfolder_demo import write_profiles
from roots import make_quick_root
from tools import path_of

# How long an example takes says something about the machine, and nothing about the program.
# Where CI is set, the examples are the same ones every time, so that a change is refused for what
# it does itself; everywhere else they are new ones.
settings.register_profile("any machine", settings.default, deadline=None)
settings.load_profile("any machine")


@pytest.fixture(autouse=True)
def no_thread_is_left():
    """Fail a test that leaks a thread."""
    before = set(threading.enumerate())
    yield
    left = [
        thread
        for thread in threading.enumerate()
        if thread not in before and thread.is_alive() and not thread.daemon
    ]
    for thread in left:
        thread.join(5)
    assert [thread.name for thread in left if thread.is_alive()] == []


@pytest.fixture(scope="session")
def profiles(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The profiles that a new root starts with, built once."""
    folder = tmp_path_factory.mktemp("profiles")
    write_profiles(folder)
    return folder


@pytest.fixture(scope="session")
def new_root(tmp_path_factory: pytest.TempPathFactory, profiles: Path) -> Path:
    """A new root with quick intake, as `hotfolder init` makes it; to be copied."""
    return make_quick_root(tmp_path_factory.mktemp("new") / "root", profiles).path


@pytest.fixture
def root(tmp_path: Path, new_root: Path) -> Root:
    """A copy of a new root: nothing in it says where it is, and making one takes longer."""
    return Root(shutil.copytree(new_root, tmp_path / "root"))


@pytest.fixture
def every_act(request: pytest.FixtureRequest) -> bool:
    """Whether each act is tried, not only a spread."""
    return bool(request.config.getoption("--every-act"))


_PROCESS_BYTES = 2 * 2**30


def pytest_xdist_auto_num_workers() -> int:
    """Three times as many processes as there are cores: tests of the whole program often wait.

    With twice as many a fifth of the processors' time was idle. Each grows to nearly 2 GiB.
    """
    room = psutil.virtual_memory().total // _PROCESS_BYTES
    return min(3 * processes.cpu_count(), max(1, room))


def pytest_sessionstart(session: pytest.Session) -> None:
    """Compile loops and tests once, before several processes start that would all do the same."""
    if not getattr(session.config.option, "numprocesses", None):
        return
    # in a new clone, rewriting the assertions of all tests takes each process eight seconds
    collect = None
    if not sys.dont_write_bytecode and not any(Path(__file__).parent.glob("cli/__pycache__/*.pyc")):
        command = [sys.executable, "-m", "pytest", "--collect-only", "-q"]
        alone = os.environ | {"PYTEST_ADDOPTS": ""}
        where = session.config.rootpath
        collect = subprocess.Popen(command, cwd=where, env=alone, stdout=subprocess.DEVNULL)
    try:
        subprocess.run([sys.executable, "-c", "import hotfolder.work.preload"], check=True)
    finally:
        if collect is not None:
            collect.wait()  # what is wrong is told by the processes that come


SLOW_ROOMS = ("browser", "faults", "whole")
"""Folders whose tests are slow as a rule; elsewhere a test that is says so itself. Several
processes begin with them."""


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Mark as slow what drives the whole program or a browser; long tests come first.

    Of one slow test's many cases, the short form runs the first and the last, or with
    ``slow(cases=1)`` the first.
    """
    for item in items:
        # the fixture starts the program in a process of its own
        starts_program = "hotfolder" in getattr(item, "fixturenames", ())
        if starts_program or item.get_closest_marker("whole") or _is_in(item, SLOW_ROOMS):
            item.add_marker(pytest.mark.slow)
    if not config.getoption("--every-act"):
        kept = keep_first_and_last(items, _may_be_left_out, _has_one_case)
        config.hook.pytest_deselected(items=_without(items, kept))
        items[:] = kept
    processes = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    if processes > 1:
        items[:] = deal(items, lambda item: _is_in(item, SLOW_ROOMS), processes)


def _may_be_left_out(item: pytest.Item) -> bool:
    # the crash matrix chooses its cases by itself; a module that is slow as a whole keeps them all
    nodes = [node for node, _ in item.iter_markers_with_node("slow")]
    marked = any(not isinstance(node, pytest.Module) for node in nodes)
    return marked and item.path.name != "test_matrix.py"


def _has_one_case(item: pytest.Item) -> bool:
    return any(mark.kwargs.get("cases") == 1 for mark in item.iter_markers("slow"))


def _without(items: Sequence[pytest.Item], kept: Sequence[pytest.Item]) -> list[pytest.Item]:
    there = {id(item) for item in kept}
    return [item for item in items if id(item) not in there]


def _is_in(item: pytest.Item, rooms: Sequence[str]) -> bool:
    """Whether a test is in one of these folders."""
    return _room_of(item.path) in rooms


@cache
def _room_of(path: Path) -> str:
    top = Path(__file__).parent
    return path.relative_to(top).parts[0] if path.is_relative_to(top) else ""


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Leave out a test that needs a tool which is not there, before its fixtures cost anything."""
    for marker in item.iter_markers("needs_tool"):
        path_of(*marker.args)


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter):
    """Close with the cases that the fault tests tried, and how many tests were left out and why."""
    yield  # pytest's own list of skipped tests stands above
    properties = [
        found
        for report in terminalreporter.getreports("passed")
        for found in report.user_properties
        if found[0] == "cases"
    ]
    if properties:
        number = sum(int(str(value)) for _, value in properties)
        terminalreporter.write_line(f"{number} cases of the crash matrix passed")
    terminalreporter.write_line(_left_out(terminalreporter))


def _left_out(terminalreporter: pytest.TerminalReporter) -> str:
    """How many tests were left out, with every reason, most frequent first."""
    why = Counter(
        re.sub("^Skipped: ", "", report.longrepr[2])
        for report in terminalreporter.getreports("skipped")
        if isinstance(report.longrepr, tuple)
    )
    if not why:
        return "no test left out"
    reasons = "; ".join(f"{number} {reason}" for reason, number in why.most_common())
    return f"{why.total()} {'test' if why.total() == 1 else 'tests'} left out: {reasons}"


def pytest_addoption(parser: pytest.Parser) -> None:
    """Long forms of tests that have a short one."""
    parser.addoption(
        "--every-act", action="store_true", help="every case, and kills at every act, not a spread"
    )
