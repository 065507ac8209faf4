"""What another machine sends is read and never obeyed: no pickle, no bomb, no flood."""

from __future__ import annotations

import asyncio
import os
import pickle
import threading
import time
from contextlib import contextmanager

import pytest

pytest.importorskip("distributed")

from distributed.core import Server, error_message
from distributed.protocol import ToPickle, to_serialize
from distributed.protocol.serialize import Serialized

from hotfolder.errors import SettingsError
from hotfolder.work.machines import guard
from hotfolder.work.machines.certificates import make_certificates
from hotfolder.work.machines.guard import load_guarded
from hotfolder.work.machines.line import Line, Unanswered
from hotfolder.work.machines.machine import Machine, Options, _find_place
from hotfolder.work.machines.security import load_security

load_guarded()
DEADLINE_S = 20


class Trap:
    """Unpickling this makes a file."""

    def __init__(self, path):
        self.path = path

    def __reduce__(self):
        return (os.mkdir, (str(self.path),))


@contextmanager
def serving(handlers, certificates=None):
    """A peer that answers as a test says; gives its address."""
    started, loop, found = threading.Event(), asyncio.new_event_loop(), []

    async def serve():
        protocol = "tls" if certificates else "tcp"
        security = load_security(f"{protocol}://127.0.0.1:1", certificates)
        server = Server(handlers)
        await server.listen(f"{protocol}://127.0.0.1:0", **security.get_listen_args("worker"))
        found.append((server.address, asyncio.Event()))
        started.set()
        await found[0][1].wait()
        await server.close()

    thread = threading.Thread(target=loop.run_until_complete, args=(serve(),))
    thread.start()
    assert started.wait(DEADLINE_S)
    try:
        yield found[0][0]
    finally:
        loop.call_soon_threadsafe(found[0][1].set)
        thread.join(DEADLINE_S)
        loop.close()


@contextmanager
def a_line(address, certificates=None):
    line = Line(address, certificates)
    try:
        yield line
    finally:
        line.close()


@contextmanager
def asking(handlers, theirs, own):
    """A peer with certificates, and a line with its own."""
    with serving(handlers, theirs) as address, a_line(address, own) as line:
        yield line, address


def lies(trap):
    """Answers that have the receiver unpickle, expand or hold what it did not ask for."""
    evil = pickle.dumps(trap)
    of_dask = {"serializer": "dask", "type-serialized": evil, "sub-header": {}, "num-frames": 0}
    of_pickle = {"serializer": "pickle", "pickle-protocol": 4}
    error = error_message(ValueError("no"), status="uncaught-error")
    return {
        "a pickle": lambda: ToPickle(trap),
        "a pickle inside": lambda: {"workers": {"tcp://127.0.0.1:1": ToPickle(trap)}},
        "a serialised object": lambda: to_serialize(trap),
        "a header of dask": lambda: Serialized(of_dask, []),
        "a header of pickle": lambda: Serialized(of_pickle, [evil]),
        "an exception": lambda: {**error, "exception": evil},
        "a traceback": lambda: {**error, "traceback": evil},
        "an enum of a module": lambda: {
            "__Enum__": True, "__module__": "antigravity", "__name__": "x", "name": "y"
        },
        "too much": lambda: b"0" * (2**20 + 1),
        "a list": lambda: [b"1"],
        "nothing": lambda: None,
    }  # fmt: skip


@pytest.mark.parametrize("lie", lies(None))
def test_an_answer_that_is_none_of_ours_is_not_obeyed(tmp_path, lie, monkeypatch):
    monkeypatch.setattr(guard, "MOST_BYTES", 2**20)
    trap = tmp_path / "sprung"
    said = lies(Trap(trap))[lie]
    with serving({"ask": said, "identity": said}) as address, a_line(address) as line:
        with pytest.raises(Unanswered):
            line.ask(address, "ask", b"", DEADLINE_S)
        with pytest.raises(Unanswered):
            line.find(address, DEADLINE_S)
    assert not trap.exists()


def test_the_trap_works_where_nothing_guards(tmp_path):
    """Else the test above would prove nothing."""
    pickle.loads(pickle.dumps(Trap(tmp_path / "sprung")))
    assert (tmp_path / "sprung").exists()


def test_compressed_bytes_are_not_expanded():
    from distributed.protocol import compression

    with pytest.raises(OSError, match="compressed"):
        compression.compressions["zlib"].decompress(b"x")


def test_who_does_not_answer_in_time_is_said_so():
    async def sleep(comm=None, said=b"", data=b""):
        await asyncio.sleep(30)

    with serving({"ask": sleep}) as address, a_line(address) as line:
        begun = time.monotonic()
        with pytest.raises(Unanswered, match="does not answer"):
            line.ask(address, "ask", b"", 0.2)
        assert time.monotonic() - begun < DEADLINE_S


def test_without_certificates_only_this_machine_is_asked():
    with pytest.raises(SettingsError, match="without certificates only"):
        Line("tcp://192.0.2.1:8786", None)
    names = {"tcp://192.0.2.1:1": {}, "tcp://127.0.0.1:2": {}, "x": {}, "tls://127.0.0.1:3": {}}
    with serving({"identity": lambda: {"workers": names}}) as address, a_line(address) as line:
        assert ["tcp://127.0.0.1:2"] == line.find(address, DEADLINE_S)


@pytest.mark.parametrize("listen", ["0.0.0.0", "192.0.2.1:9000", "a b"])
def test_a_machine_listens_on_no_other_interface_without_certificates(tmp_path, listen):
    options = Options("tcp://127.0.0.1:8786", tmp_path, listen=listen)
    with pytest.raises(SettingsError):
        _find_place(options)


def test_a_machine_listens_where_the_scheduler_is_found(tmp_path):
    assert ("127.0.0.1", 0) == _find_place(Options("tcp://127.0.0.1:8786", tmp_path))
    options = Options("tcp://127.0.0.1:8786", tmp_path, listen="127.0.0.1:9000")
    assert ("127.0.0.1", 9000) == _find_place(options)


@pytest.fixture(scope="module")
def certificates(tmp_path_factory):
    folder = tmp_path_factory.mktemp("certificates") / "made"
    made = make_certificates(folder, ["lighthouse", "harbour"])
    assert ["daemon", "scheduler", "lighthouse", "harbour"] == [each.name for each in made]
    return folder


def test_certificates_are_made_once_and_for_new_names(certificates):
    before = {path: path.read_bytes() for path in certificates.rglob("*.pem")}
    assert ["mill"] == [each.name for each in make_certificates(certificates, ["harbour", "mill"])]
    assert before == {path: path.read_bytes() for path in before}
    assert all(0o600 == path.stat().st_mode & 0o777 for path in certificates.rglob("*key.pem"))
    (certificates / "mill/certificate.pem").unlink()
    assert ["mill"] == [each.name for each in make_certificates(certificates, ["mill"])]


@pytest.mark.parametrize("name", ["", "a/b", "../x", "daemon", "a b", "x" * 65])
def test_names_that_are_none(certificates, name):
    with pytest.raises(SettingsError):
        make_certificates(certificates, [name])


@pytest.fixture(scope="module")
def strangers(tmp_path_factory):
    folder = tmp_path_factory.mktemp("strangers")
    make_certificates(folder, ["lighthouse"])
    return folder


def test_with_certificates_a_machine_is_known_by_its_own(certificates):
    handlers = {"ask": lambda said, data: b"true"}
    with asking(handlers, certificates / "lighthouse", certificates / "daemon") as (line, address):
        reply = line.ask(address, "ask", b"", DEADLINE_S)
    assert (b"true", "lighthouse", "machine") == (reply.said, reply.peer.name, reply.peer.role)


def test_a_machine_is_no_scheduler_and_a_scheduler_no_machine(certificates):
    handlers = {"ask": lambda said, data: b"true", "identity": lambda: {"workers": {}}}
    own = certificates / "daemon"
    with (
        asking(handlers, certificates / "lighthouse", own) as (line, address),
        pytest.raises(Unanswered, match="no scheduler's certificate"),
    ):
        line.find(address, DEADLINE_S)
    with asking(handlers, certificates / "scheduler", own) as (line, address):
        assert [] == line.find(address, DEADLINE_S)
        with pytest.raises(Unanswered, match="no machine's certificate"):
            line.ask(address, "ask", b"", DEADLINE_S)


def test_strangers_certificates_open_nothing(certificates, strangers):
    handlers = {"ask": lambda said, data: b"true"}
    for theirs, own in ((certificates, strangers), (strangers, certificates)):
        with (
            asking(handlers, theirs / "lighthouse", own / "daemon") as (line, address),
            pytest.raises(Unanswered),
        ):
            line.ask(address, "ask", b"", DEADLINE_S)


def test_orders_are_taken_from_a_daemon_alone(certificates, tmp_path):
    machine = Machine(
        Options("tls://127.0.0.1:1", tmp_path / "w", certificates=certificates / "lighthouse")
    )
    try:
        with serving(machine.handlers(), certificates / "lighthouse") as address:
            with a_line(address, certificates / "daemon") as line:
                assert line.ask(address, "hotfolder_hello", b"", DEADLINE_S).said
            with a_line(address, certificates / "harbour") as line:
                assert not line.ask(address, "hotfolder_hello", b"", DEADLINE_S).said
    finally:
        machine.close()


def test_missing_certificates_are_named(tmp_path):
    with pytest.raises(SettingsError, match=r"authority\.pem, certificate\.pem, key\.pem"):
        Line("tls://127.0.0.1:8786", tmp_path)
