"""A service manager hears that the daemon is ready, that it turns, and that it ends."""

import socket

import pytest

from faults.conftest import loaded, quick  # noqa: F401
from faults.serving import serving
from hotfolder.daemon.service_manager import ServiceManager

pytestmark = pytest.mark.slow


@pytest.fixture
def manager(tmp_path, monkeypatch):
    """The socket of a service manager, which the environment names."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.settimeout(20)
        address = tmp_path / "notify"
        listening.bind(str(address))
        monkeypatch.setenv("NOTIFY_SOCKET", str(address))
        yield listening


def test_a_daemon_says_that_it_is_ready_turns_and_ends(manager, quick):  # noqa: F811
    with serving(quick):
        assert manager.recv(100) == b"READY=1"
        assert manager.recv(100) == b"WATCHDOG=1"
    said = b"WATCHDOG=1"
    while said == b"WATCHDOG=1":
        said = manager.recv(100)
    assert said == b"STOPPING=1"


def test_nobody_else_speaks_in_its_name(manager):
    assert ServiceManager().address
    assert ServiceManager().address == ""


def test_an_abstract_address_is_understood():
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind("\0hotfolder-test-of-notify")
        listening.settimeout(5)
        ServiceManager("@hotfolder-test-of-notify").say_ready()
        assert listening.recv(100) == b"READY=1"


@pytest.mark.parametrize("address", ["", "/nowhere/notify", "@nobody-listens"])
def test_a_manager_that_is_not_there_is_no_reason_to_stop(address):
    ServiceManager(address).say_alive()
