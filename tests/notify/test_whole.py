"""Telling people of a root in which something waits: what is found, the process, the command."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from desk.conftest import hotfolder, root, worked
from hotfolder.cli.watching import telling_beside
from hotfolder.notify.matters import Kind, describe, find_matters, find_warned
from hotfolder.notify.standing import place_of
from notify.servers import mail_server, web_server

__all__ = ["hotfolder", "root", "worked"]

pytestmark = pytest.mark.slow
SECRET = "a-secret-that-nobody-sees"
DEADLINE_S = 120


def set_up(root, text):
    path = root.path / "hotfolder.toml"
    path.write_text(f"{path.read_text()}\n{text}")
    (root.path / "secret").write_text(SECRET)
    (root.path / "secret").chmod(0o600)


def by_mail(port, more=""):
    return f"""[notify]
gather = "0 s"
[notify.mail]
host = "127.0.0.1"
port = {port}
security = "none"
sender = "desk@example.org"
to = ["anna@example.org"]
{more}"""


def by_webhook(port):
    url = f"http://127.0.0.1:{port}/hook?token={SECRET}"
    return f'[notify.webhook]\nurl = "{url}"\nsecret_file = "secret"\n'


def all_that_was_written(root):
    """Every file of the program's own, but for the settings and the secret."""
    return b"".join(
        path.read_bytes() for path in sorted(root.private.rglob("notify*")) if path.is_file()
    )


def test_what_waits_is_found_with_its_reason(root):
    found = describe(root, find_matters(root).matters)
    assert ["<b>bare.tif", "mud.tif"] == sorted(each.name for each in found)
    (mud,) = (each for each in found if each.name == "mud.tif")
    assert (Kind.HELD, "fine-art-canvas", "Fine-art canvas") == (
        mud.kind, mud.destination, mud.title,
    )  # fmt: skip
    assert "pixels of its own per inch" in mud.says
    assert [] == list(find_matters(root, kinds=["batch"]).matters)
    over = describe(root, find_matters(root, kinds=["delivered", "refused"]).matters)
    assert [Kind.DELIVERED] == [each.kind for each in over]
    assert all(" px." in each.says for each in over if each.kind is Kind.DELIVERED)
    day = datetime.now(UTC) - timedelta(days=1)
    assert all(each.kind is Kind.WARNED for each in find_warned(root, day))


def test_the_command_tries_each_way_and_says_what_happened(root, hotfolder):
    with mail_server() as mails, web_server() as (port, posts, _):
        set_up(root, by_mail(mails.port) + by_webhook(port))
        done = hotfolder("check", str(root.path), "--notify")
    assert 0 == done.returncode, done.stderr
    assert (
        f"mail by 127.0.0.1, port {mails.port}: the server has taken the test message for "
        "anna@example.org." in done.stdout
    )
    assert f"webhook at http://127.0.0.1:{port}: the server has taken" in done.stdout
    assert ["[root] a test"] == [each["subject"] for each in mails.got]
    assert ["test"] == [json.loads(each.body)["kind"] for each in posts]
    assert SECRET not in done.stdout + done.stderr


def test_the_command_fails_when_a_way_does(root, hotfolder):
    with web_server(500, SECRET.encode()) as (port, _, _):
        set_up(root, by_webhook(port))
        done = hotfolder("check", str(root.path), "--notify")
    assert 9 == done.returncode
    assert "the test message was not sent: 127.0.0.1 answers 500: …" in done.stdout
    assert SECRET not in done.stdout + done.stderr


def test_the_command_says_what_to_set_when_nothing_is(root, hotfolder):
    done = hotfolder("check", str(root.path), "--notify")
    assert 4 == done.returncode
    assert "[notify.mail] or [notify.webhook]" in done.stderr


def test_check_names_a_secret_that_is_missing_or_can_be_read_by_others(root, hotfolder):
    set_up(root, by_webhook(80))
    (root.path / "secret").chmod(0o644)
    done = hotfolder("check", str(root.path))
    assert "others on this machine can read" in done.stdout
    (root.path / "secret").unlink()
    done = hotfolder("check", str(root.path))
    assert 4 == done.returncode
    assert "notify.webhook.secret_file" in done.stderr
    assert SECRET not in done.stdout + done.stderr


def test_a_setting_that_is_wrong_is_named_without_what_is_secret(root, hotfolder):
    set_up(root, by_mail(25, f'password = "{SECRET}"\n') + by_webhook(80).replace("http:", "ftp:"))
    done = hotfolder("check", str(root.path))
    assert 4 == done.returncode
    assert "notify.mail.password" in done.stderr
    assert "https://" in done.stderr
    assert SECRET not in done.stdout + done.stderr


def test_the_process_tells_what_waits_and_ends_when_asked(root):
    with mail_server() as mails:
        set_up(root, by_mail(mails.port, 'user = "desk"\npassword_file = "secret"\n'))
        process = subprocess.Popen([sys.executable, "-m", "hotfolder.notify", str(root.path)])
        try:
            assert mails.arrived.wait(DEADLINE_S)
        finally:
            process.terminate()
            code = process.wait(DEADLINE_S)
    assert 0 == code
    (got,) = mails.got
    assert "[root] 2 pictures wait for you" == got["subject"]
    assert "mud.tif, Fine-art canvas" in got.get_content()
    assert SECRET.encode() not in all_that_was_written(root)


def test_a_refused_password_is_in_no_file_of_ours(root):
    with mail_server(answers={"AUTH": f"535 not {SECRET}"}) as mails, web_server(403) as hook:
        settings = by_mail(mails.port, 'user = "desk"\npassword_file = "secret"\n')
        set_up(root, settings + by_webhook(hook[0]))
        process = subprocess.Popen([sys.executable, "-m", "hotfolder.notify", str(root.path)])
        try:
            wait_until(lambda: all_that_was_written(root).count(b"403") > 1)
            wait_until(lambda: b"(535)" in place_of(root).read_bytes())
        finally:
            process.terminate()
            process.wait(DEADLINE_S)
    assert SECRET.encode() not in all_that_was_written(root)


def wait_until(is_so):
    """Look until it is so."""
    over = threading.Event()
    for _ in range(10 * DEADLINE_S):
        if is_so():
            return
        over.wait(0.1)
    raise AssertionError("it did not come to be so in time")


def running(root):
    """Processes that tell people of this root."""
    found = []
    for each in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            words = (each / "cmdline").read_bytes().split(b"\0")
            if b"hotfolder.notify" in words and str(root.path).encode() in words:
                found.append(int(each.name))
    return found


def test_watch_keeps_it_running_while_a_way_is_set(root):
    before = (root.path / "hotfolder.toml").read_text()
    with mail_server() as mails:
        set_up(root, by_mail(mails.port))
        with telling_beside(root.path):
            assert mails.arrived.wait(DEADLINE_S)
            (first,) = running(root)
            os.kill(first, signal.SIGKILL)
            wait_until(lambda: running(root) not in ([], [first]))
            (root.path / "hotfolder.toml").write_text(before)
            wait_until(lambda: running(root) == [])
            set_up(root, by_mail(mails.port))
            wait_until(lambda: running(root) != [])
        assert [] == running(root)
    assert 1 == len(mails.got)
