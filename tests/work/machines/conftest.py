"""Machines without a network: what asks them speaks to them as the line does."""

from __future__ import annotations

import hashlib
import json
import threading
import tomllib
from pathlib import Path

import pytest

from faults.killing import run_here
from hotfolder.settings.engine import EngineTable
from hotfolder.stages.registry import load_registry
from hotfolder.work.machines.build import hash_build, hash_stages
from hotfolder.work.machines.line import Reply, Unanswered
from hotfolder.work.machines.messages import (
    PROTOCOL,
    Fetch,
    Hello,
    Piece,
    Question,
    TryOrder,
    decode,
    encode,
)
from hotfolder.work.machines.tries import Tries
from hotfolder.work.order import Order
from hotfolder.work.worker import Attempt
from whole.conftest import drop, write_destination

STAGES = hash_stages(load_registry())
SCHEDULER = "tcp://127.0.0.1:8786"


def port_of(name):
    return 10000 + int(hashlib.sha256(name.encode()).hexdigest()[:3], 16)


class Near:
    """A machine in this process; a test changes what it says or does."""

    def __init__(self, name, folder, slots=1, run=run_here):
        self.name = name
        self.address = f"tcp://127.0.0.1:{port_of(name)}"
        self.tries = Tries(folder, slots, folder / "plugins", run=run)
        self.build = hash_build()
        self.stages = dict(STAGES)
        self.silent = False
        self.asked = []
        self.lies = {}
        """What to answer instead, by what is asked: bytes, or a function of the true answer."""

    def hello(self):
        return Hello(
            protocol=PROTOCOL, name=self.name, version="0.1.0", build=self.build,
            stages=self.stages, slots=self.tries.slots, taken=0, doing=self.tries.doing(),
        )  # fmt: skip

    def answer(self, what, said, data):
        self.asked.append(what)
        match what:
            case "hotfolder_hello":
                true = encode(self.hello())
            case "hotfolder_begin":
                true = encode(self.tries.begin(decode(TryOrder, said)))
            case "hotfolder_put":
                true = encode(self.tries.put(decode(Piece, said), data))
            case "hotfolder_ask":
                true = encode(self.tries.ask(decode(Question, said)))
            case "hotfolder_fetch":
                true = self.tries.fetch(decode(Fetch, said))
            case "hotfolder_end":
                self.tries.end(decode(Question, said).token)
                true = b""
        lie = self.lies.get(what, true)
        return lie(true) if callable(lie) else lie


class NearLine:
    """Asks machines of this process."""

    def __init__(self, *machines):
        self.machines = {each.address: each for each in machines}
        self.has_scheduler = True

    def find(self, scheduler, deadline_s):
        if not self.has_scheduler:
            raise Unanswered("it does not answer")
        return list(self.machines)

    def ask(self, address, what, said, deadline_s, data=b""):
        machine = self.machines[address]
        if machine.silent:
            raise Unanswered("it does not answer")
        return Reply(machine.answer(what, said, data))

    def ask_all(self, questions, what, deadline_s):
        found = {}
        for address, said in questions.items():
            try:
                found[address] = self.ask(address, what, said, deadline_s)
            except Unanswered as error:
                found[address] = error
        return found

    def close(self):
        pass


@pytest.fixture
def table():
    return EngineTable(kind="dask", address=SCHEDULER, here="when-needed", patience="1 s")


@pytest.fixture
def near(tmp_path):
    made = []

    def near(name, **options):
        made.append(Near(name, tmp_path / name, **options))
        return made[-1]

    yield near
    for each in made:
        each.tries.close()


@pytest.fixture
def attempt(root, tmp_path):
    """An attempt at a small picture, as the daemon makes it."""
    for file in root.destinations.glob("*.toml"):
        file.unlink()
    path = write_destination(root)
    original = drop(root, "reeds.tif", size=24)
    data = original.read_bytes()
    folder = tmp_path / "attempt"
    folder.mkdir()
    return Attempt(
        order=Order(
            job="20260101-000000-aaaa",
            original=original,
            name="reeds.tif",
            sha256=hashlib.sha256(data).hexdigest(),
            bytes=len(data),
            folder=folder,
            profiles=root.profiles,
        ),
        destination_file=path,
        destination_raw=tomllib.loads(path.read_text()),
        plugins=root.plugins,
        time_s=60.0,
        memory_bytes=4 * 2**30,
    )


@pytest.fixture
def stop():
    return threading.Event()


def shown(folder: Path) -> dict:
    return json.loads((folder / "progress.json").read_text())
