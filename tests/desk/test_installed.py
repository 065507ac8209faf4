"""A desk that is older than the program that is installed says so, and asks to be started again."""

import pytest
from starlette.testclient import TestClient

from desk.conftest import HOME, come_in
from hotfolder.desk import installed as module
from hotfolder.desk.app import Desk
from hotfolder.desk.installed import SAYS, Installed
from hotfolder.desk.showing import Shown


@pytest.fixture
def package(tmp_path):
    (tmp_path / "program" / "pages").mkdir(parents=True)
    (tmp_path / "program" / "main.py").write_text("here = 1\n")
    (tmp_path / "program" / "pages" / "page.html").write_text("<p>\n")
    return tmp_path / "program"


def change(package):
    (package / "pages" / "page.html").write_text("<p>{{ more }}\n")


def add(package):
    (package / "more.py").write_text("")


def remove(package):
    (package / "main.py").unlink()


@pytest.mark.parametrize("update", [change, add, remove])
def test_a_changed_program_is_another(package, update):
    installed = Installed(package)
    assert not installed.look()
    update(package)
    assert installed.look()


def test_what_running_leaves_behind_is_no_other_program(package):
    installed = Installed(package)
    (package / "__pycache__").mkdir()
    (package / "__pycache__" / "main.pyc").write_bytes(b"code")
    assert not installed.look()


@pytest.mark.whole
def test_every_page_says_it(root, access, package, monkeypatch):
    monkeypatch.setattr(module, "_EVERY_S", 0.0)
    monkeypatch.setattr("hotfolder.desk.showing.Installed", lambda: Installed(package))
    client = TestClient(Desk(root, access).app, base_url=HOME, follow_redirects=False)
    come_in(client, access)
    assert SAYS not in client.get("/").text
    change(package)
    for page in ("/", "/drop", "/batches"):
        assert SAYS in client.get(page).text


@pytest.mark.whole
@pytest.mark.parametrize("is_updated", [True, False])
def test_a_page_that_fails_says_why(root, access, package, monkeypatch, is_updated):
    def fail(*_args, **_values):
        raise KeyError("a name of another version")

    monkeypatch.setattr("hotfolder.desk.showing.Installed", lambda: Installed(package))
    app = Desk(root, access).app
    client = TestClient(app, base_url=HOME, follow_redirects=False, raise_server_exceptions=False)
    come_in(client, access)
    if is_updated:
        change(package)
    monkeypatch.setattr(Shown, "page", fail)
    answer = client.get("/drop")
    assert answer.status_code == 500
    assert (SAYS in answer.text) == is_updated
    assert "another version" not in answer.text
