"""The desk as a process: its address, its end, and what it does without a daemon."""

import contextlib
import os
import re
import signal
import subprocess
import sys
import threading
import time

import httpx
import pytest

from faults.serving import sweep
from hotfolder.desk.server import Where, check
from hotfolder.errors import SettingsError

pytestmark = pytest.mark.whole


@contextlib.contextmanager
def served(root, *options):
    """A desk; yields its process and its first address."""
    process = subprocess.Popen(
        [sys.executable, "-m", "hotfolder", "desk", root.path, "--no-browser", "--port", "0",
         *options],
        stdout=subprocess.PIPE,
        text=True,
        env={name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"},
    )  # fmt: skip
    late = threading.Timer(60, process.kill)
    late.start()
    try:
        lines = iter(process.stdout.readline, "")
        yield process, next(line.strip() for line in lines if line.startswith("http"))
    finally:
        late.cancel()
        process.kill()
        process.wait()
        process.stdout.close()


def test_it_prints_an_address_that_opens_it_and_ends_with_open_streams(root):
    with (
        served(root) as (process, address),
        httpx.Client(follow_redirects=True, timeout=60) as client,
    ):
        home = address.partition("?")[0]
        assert home.startswith("http://127.0.0.1:")
        assert 401 == httpx.get(home, timeout=60).status_code
        assert 421 == httpx.get(address, headers={"host": "evil.example"}, timeout=60).status_code
        assert "wait for you" in client.get(address).text
        with client.stream("GET", f"{home}events") as stream:
            next(line for line in stream.iter_lines() if line.startswith("data:"))
            began = time.monotonic()
            process.send_signal(signal.SIGTERM)
            assert 0 == process.wait(60)
        assert time.monotonic() - began < 5


def test_it_makes_nothing_in_the_root_and_takes_no_lock(root, hotfolder):
    def listed():
        return sorted(str(path) for path in root.path.rglob("*"))

    before = listed()
    with (
        served(root) as (process, address),
        httpx.Client(follow_redirects=True, timeout=60) as client,
    ):
        assert 200 == client.get(address).status_code
        assert hotfolder("status", root.path).returncode == 0
        process.send_signal(signal.SIGTERM)
        process.wait(60)
    assert before == [path for path in listed() if not path.endswith(("-wal", "-shm"))]


@pytest.mark.parametrize(
    ("where", "said"),
    [
        (Where("0.0.0.0"), "--certificate"),
        (Where("192.0.2.7"), "--name"),
        (Where("::"), "--certificate"),
        (Where("example.org"), "numeric"),
    ],
)
def test_another_address_wants_tls_and_names(root, where, said):
    with pytest.raises(SettingsError, match=said):
        check(root, where)


def test_a_folder_that_is_no_root_is_said(tmp_path, hotfolder):
    done = hotfolder("desk", tmp_path, "--no-browser")
    assert 4 == done.returncode
    assert "is not a root" in done.stderr


def test_watch_opens_a_desk_beside_it_and_takes_it_along(root):
    process = subprocess.Popen(
        [sys.executable, "-m", "hotfolder", "watch", root.path, "--desk", "--quiet"],
        stdout=subprocess.PIPE,
        text=True,
    )
    late = threading.Timer(60, process.kill)
    late.start()
    try:
        lines = iter(process.stdout.readline, "")
        address = next(line.strip() for line in lines if line.startswith("http"))
        with httpx.Client(follow_redirects=True, timeout=60) as client:
            assert "Nobody serves" not in client.get(address).text
        process.send_signal(signal.SIGTERM)
        assert 0 == process.wait(60)
        with pytest.raises(httpx.ConnectError):
            httpx.get(address)
    finally:
        late.cancel()
        process.kill()
        process.wait()
        process.stdout.close()


@pytest.mark.whole
def test_the_counter_says_what_was_refused_and_where_its_original_is(client, root):
    (root.path / "in/fine-art-canvas/<i>.tif").write_text("a letter")
    sweep(root)
    page = client.get("/").text
    assert "Refused within a day" in page
    said = re.search(r'<a href="/job/([^"]+)">&lt;i&gt;.tif</a>', page)
    assert "The file is a text, by its content. Drop a picture." in page
    assert f"refused/fine-art-canvas/{said[1]}</code>" in page
    assert "It was refused" in client.get(f"/job/{said[1]}").text
