"""A root with pictures that wait, and a desk for it that a client in this process asks."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from faults.serving import sweep
from hotfolder.desk.access import Access
from hotfolder.desk.app import Desk
from hotfolder.disk import pulse
from hotfolder.overview.new_root import make_root
from hotfolder.settings.root import Root
from whole.conftest import drop, hotfolder, write_destination

__all__ = ["hotfolder"]

PORT = 8417
HOME = f"http://127.0.0.1:{PORT}"
LIMIT = (
    '"output-sharpening", "proof-sheet", "profile-conversion", "tagging"]',
    "[stage.preflight]\nhold_below_ppi = 5000\n[stage.sizing]",
)


@pytest.fixture(scope="session")
def worked(tmp_path_factory: pytest.TempPathFactory, profiles: Path) -> Root:
    """A root in which one picture waits with its pixels, one without any; one was delivered."""
    path = tmp_path_factory.mktemp("desk") / "root"
    (path / "profiles").mkdir(parents=True)
    for profile in profiles.iterdir():
        (path / "profiles" / profile.name).write_bytes(profile.read_bytes())
    make_root(path)
    settings = path / "hotfolder.toml"
    text = settings.read_text().replace('quiet = "2 s"', 'quiet = "0.1 s"')
    settings.write_text(text.replace('patience = "60 s"', 'patience = "0.3 s"'))
    root = Root(path)
    for file in root.destinations.glob("*.toml"):
        if file.stem != "fine-art-canvas":
            file.unlink()
    write_destination(root)
    drop(root, "tide.tif", seed=3)
    assert sweep(root) == []
    hold_all(root)
    drop(root, "mud.tif")
    drop(root, "<b>bare.tif", profile=False, seed=2)
    assert sweep(root) == []
    return root


def hold_all(root: Root) -> None:
    """Let the destination hold every picture, with a proof sheet."""
    write_destination(
        root,
        stages=('"output-sharpening", "profile-conversion", "tagging"]', LIMIT[0]),
        limit=("[stage.sizing]", LIMIT[1]),
    )


@pytest.fixture(autouse=True)
def small_originals(monkeypatch):
    """No worker is started behind a test's back: a thread that lives keeps a sweep's lock."""
    monkeypatch.setattr("hotfolder.desk.small_originals.Errand", lambda _name, _act: None)


@pytest.fixture(autouse=True)
def no_thread_goes_on() -> Iterator[None]:
    """What a desk of this process has begun ends before the next test sweeps."""
    yield
    for thread in pulse.left_behind():
        thread.join(30)


@pytest.fixture
def root(worked: Root, tmp_path: Path) -> Root:
    """A copy of it, to do with as one likes."""
    return Root(Path(shutil.copytree(worked.path, tmp_path / "root")))


@pytest.fixture
def access() -> Access:
    """The door of a desk where one may decide."""
    return Access("http", PORT, ("127.0.0.1", "localhost"))


@pytest.fixture
def stranger(root: Root, access: Access) -> TestClient:
    """A client that has not come in."""
    return TestClient(Desk(root, access).app, base_url=HOME, follow_redirects=False)


@pytest.fixture
def client(stranger: TestClient, access: Access) -> TestClient:
    """A client that has come in."""
    come_in(stranger, access)
    return stranger


def come_in(client: TestClient, access: Access) -> None:
    assert client.get(access.first_address).status_code == 303


def token_of(page: str) -> str:
    return re.search(r'name="token" value="([^"]+)"', page)[1]


def seen_of(page: str) -> str:
    return re.search(r'name="seen" value="([^"]+)"', page)[1]


def job_called(client: TestClient, name: str) -> str:
    """The job of a picture, as the counter links it."""
    found = re.search(rf'<a href="/job/([\w-]+)">{re.escape(name)}</a>', client.get("/").text)
    return found[1]
