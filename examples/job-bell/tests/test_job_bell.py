"""Messages as hotfolder posts them, to a bell that listens on this machine."""

import hashlib
import hmac
import http.client
import json
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from job_bell import Bell, Seen, is_genuine, main

SECRET = b"reeds"
WRITE = "import sys; open(sys.argv[1], 'a').write(sys.stdin.read() + '\\n')"
FAIL_AT_MUD = f"{WRITE}; sys.exit('mud' in open(sys.argv[1]).read().splitlines()[-1])"


class Ringing:
    """A bell whose command writes into a file."""

    def __init__(self, folder: Path, command: str = WRITE) -> None:
        self.told, self.folder = folder / "told", folder
        words = [sys.executable, "-c", command, str(self.told)]
        self.bell = Bell(("127.0.0.1", 0), SECRET, Seen(folder / "seen"), words)
        self.thread = threading.Thread(target=self.bell.serve_forever, args=(0.02,))
        self.thread.start()

    def stop(self) -> None:
        self.bell.shutdown()
        self.thread.join()
        self.bell.server_close()

    def post(self, body: bytes, secret: bytes = SECRET, ago_s: int = 0) -> int:
        stamp = str(int(time.time()) - ago_s)
        made = hmac.new(secret, stamp.encode() + b"." + body, hashlib.sha256).hexdigest()
        headers = {"Hotfolder-Timestamp": stamp, "Hotfolder-Signature": f"v1={made}"}
        line = http.client.HTTPConnection("127.0.0.1", self.bell.server_port, timeout=10)
        try:
            line.request("POST", "/", body, headers)
            return line.getresponse().status
        finally:
            line.close()

    def names(self) -> list[str]:
        lines = self.told.read_text().splitlines() if self.told.exists() else []
        return [json.loads(line)["name"] for line in lines]


@pytest.fixture
def ringing(tmp_path: Path) -> Iterator[Ringing]:
    made = Ringing(tmp_path)
    yield made
    made.stop()


def message(*names: str) -> bytes:
    items = [{"id": f"delivered:{name}", "kind": "delivered", "name": name} for name in names]
    return json.dumps({"format": "hotfolder-notice", "kind": "matters", "items": items}).encode()


def test_the_command_gets_each_picture_once_though_the_message_comes_twice(
    ringing: Ringing,
) -> None:
    assert [ringing.post(message("reeds.tif", "mud.tif")) for _ in range(2)] == [200, 200]
    assert ringing.names() == ["reeds.tif", "mud.tif"]


def test_what_was_told_is_known_after_a_restart(tmp_path: Path) -> None:
    for _ in range(2):
        ringing = Ringing(tmp_path)
        try:
            assert ringing.post(message("reeds.tif")) == 200
        finally:
            ringing.stop()
    assert ringing.names() == ["reeds.tif"]


def test_a_command_that_fails_is_run_again_and_the_others_are_not(tmp_path: Path) -> None:
    ringing = Ringing(tmp_path, FAIL_AT_MUD)
    try:
        assert [ringing.post(message("reeds.tif", "mud.tif")) for _ in range(2)] == [500, 500]
    finally:
        ringing.stop()
    assert ringing.names() == ["reeds.tif", "mud.tif", "mud.tif"]


@pytest.mark.parametrize(("secret", "ago_s"), [(b"mud", 0), (SECRET, 900)])
def test_what_is_not_signed_so_or_long_ago_is_told_nobody(
    ringing: Ringing, secret: bytes, ago_s: int
) -> None:
    assert ringing.post(message("reeds.tif"), secret, ago_s) == 403
    assert ringing.names() == []


@pytest.mark.parametrize("stamp", ["", "²", "-5", "now"])
def test_a_stamp_that_is_no_number_is_not_genuine(stamp: str) -> None:
    assert not is_genuine(SECRET, {"Hotfolder-Timestamp": stamp}, b"", 0.0)


def test_a_test_message_rings_too(ringing: Ringing) -> None:
    assert ringing.post(b'{"kind": "test", "summary": "This is a test", "items": []}') == 200
    assert json.loads(ringing.told.read_text()) == {"kind": "test", "says": "This is a test"}


def test_an_empty_secret_is_refused(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("\n")
    with pytest.raises(SystemExit):
        main(["--secret-file", str(tmp_path / "secret"), "--seen", str(tmp_path / "seen"), "true"])
