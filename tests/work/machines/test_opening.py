"""What `[engine]` may say, and what is loaded for it."""

from __future__ import annotations

import subprocess
import sys

import pytest
from pydantic import ValidationError

from hotfolder.overview.check import check
from hotfolder.settings.engine import EngineTable
from hotfolder.work.machines import opening
from hotfolder.work.machines.opening import find_problems, open_places

LOOPBACK = "tcp://127.0.0.1:8786"


@pytest.mark.parametrize(
    ("table", "why"),
    [
        ({}, "needs the address"),
        ({"address": "127.0.0.1:8786"}, "protocol, host and port"),
        ({"address": "http://127.0.0.1:8786"}, "protocol, host and port"),
        ({"address": "tcp://127.0.0.1"}, "protocol, host and port"),
        ({"address": "tcp://127.0.0.1:99999"}, "protocol, host and port"),
        ({"address": "tcp://user@127.0.0.1:1"}, "protocol, host and port"),
        ({"address": "tcp://192.0.2.1:8786"}, "without certificates only"),
        ({"address": "tcp://0.0.0.0:8786"}, "without certificates only"),
        ({"address": "tls://127.0.0.1:8786"}, "without certificates only"),
        ({"address": "tcp://192.0.2.1:8786", "certificates": "c"}, "begins with tls"),
        ({"address": LOOPBACK, "patience": 3}, "patience"),
    ],
)
def test_what_would_be_unsafe_or_unclear_is_refused(table, why):
    with pytest.raises(ValidationError, match=why):
        EngineTable(kind="dask", **table)


@pytest.mark.parametrize(
    "table",
    [
        {"address": LOOPBACK},
        {"address": "tcp://localhost:1"},
        {"address": "tcp://[::1]:8786"},
        {"address": "tls://desk.example.org:8786", "certificates": "c"},
    ],
)
def test_what_is_right_is_taken(table):
    assert EngineTable(kind="dask", **table).address == table["address"]


def add_engine(root, text):
    path = root.path / "hotfolder.toml"
    path.write_text(f"{path.read_text()}\n[engine]\n{text}\n")


def test_a_problem_of_the_table_names_file_key_and_what_is_right(root):
    add_engine(root, 'kind = "dask"\naddress = "tcp://192.0.2.1:8786"')
    (problem,) = check(root).problems
    assert "engine" in problem.key
    assert "engine-certificates" in problem.allowed


def test_what_is_missing_keeps_the_daemon_from_starting(root, monkeypatch):
    pytest.importorskip("distributed")
    add_engine(root, f'kind = "dask"\naddress = "{LOOPBACK}"')
    assert () == check(root).problems
    monkeypatch.setattr(opening, "EXTRA", ("a_package_that_nobody_has",))
    (problem,) = check(root).problems
    assert "engine.kind" == problem.key
    assert "pipx inject hotfolder distributed cryptography" in problem.allowed


def test_missing_certificates_are_named(root):
    table = EngineTable(kind="dask", address="tls://desk.example.org:1", certificates="none")
    (problem,) = find_problems(root, table)
    assert "engine.certificates" == problem.key
    assert "key.pem" in problem.allowed


def test_the_local_kind_loads_nothing_and_is_the_default():
    code = (
        "import sys\n"
        "import hotfolder.daemon.loop, hotfolder.work.machines.local\n"
        "from hotfolder.settings.tables import RootFile\n"
        "assert RootFile().engine.kind == 'local'\n"
        "print([each for each in ('dask', 'distributed', 'cryptography', 'tornado', 'ssl')"
        " if each in sys.modules])"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "[]" == said.stdout.strip()


def test_the_local_kind_makes_attempts_here(root, stop):
    places = open_places(root, EngineTable(), lambda attempt, stop: attempt, 3, lambda: None)
    assert "attempt" == places.run("attempt", stop)
    assert (3, ()) == (places.count_slots(), places.machines())
    places.close()
