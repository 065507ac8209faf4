"""Fixtures for all tests: no thread may be left behind, and a root that works."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from hypothesis import settings

from hotfolder.disk import platforms
from hotfolder.overview.new_root import make_root
from hotfolder.settings.root import Root
from hotfolder_demo import write_profiles

# How long an example takes says something about the machine, and nothing about the program.
settings.register_profile("any machine", deadline=None)
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


@pytest.fixture
def root(tmp_path: Path, profiles: Path) -> Root:
    """A new root with quick intake, as `hotfolder init` makes it."""
    path = tmp_path / "root"
    (path / "profiles").mkdir(parents=True)
    for profile in profiles.iterdir():
        (path / "profiles" / profile.name).write_bytes(profile.read_bytes())
    make_root(path)
    settings = path / "hotfolder.toml"
    text = settings.read_text().replace('quiet = "2 s"', 'quiet = "0.1 s"')
    settings.write_text(text.replace('patience = "60 s"', 'patience = "0.3 s"'))
    return Root(path)


def pytest_xdist_auto_num_workers() -> int:
    """Half as many processes again as there are cores: tests of the whole program often wait."""
    cores = platforms.cpu_count()
    return cores + cores // 2


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say how many cases the fault tests have tried."""
    properties = [
        found
        for report in terminalreporter.getreports("passed")
        for found in report.user_properties
        if found[0] == "cases"
    ]
    if properties:
        number = sum(int(str(value)) for _, value in properties)
        terminalreporter.write_line(f"{number} cases of the crash matrix passed")


def pytest_addoption(parser: pytest.Parser) -> None:
    """Long forms of tests that have a short one."""
    parser.addoption("--every-act", action="store_true", help="kill at every act, not a spread")
