"""When people are told: once for each thing, together, and again only as the same message."""

import contextlib
import os
import signal
import threading
from datetime import UTC, date, datetime, time

import pytest

from hotfolder.errors import StorageError
from hotfolder.notify import teller as tellers
from hotfolder.notify.book import OVER_AFTER_S, Book
from hotfolder.notify.matters import Found, Kind, Matter
from hotfolder.notify.sending import NotSent
from hotfolder.notify.standing import describe_standing, place_of
from hotfolder.notify.teller import BLIP_S, GIVE_UP_S, Teller
from hotfolder.settings.root import Root

MAIL = """[notify.mail]
host = "127.0.0.1"
security = "none"
sender = "desk@example.org"
to = ["anna@example.org"]
"""
HOOK = """[notify.webhook]
url = "https://example.org/hook?token=secret"
secret_file = "secret"
"""
AT_ONCE = '[notify]\ngather = "0 s"\napart = "0 s"\n'
DEADLINE_S = 120


def matter(name, kind=Kind.HELD, **values):
    lasts = kind in {Kind.AWAY, Kind.TROUBLE}
    usual = {"title": "Canvas", "name": name, "says": "Why.", "since": "2026-11-28T06:00:00Z"}
    return Matter(f"{kind}:{name}", kind, "canvas", lasts=lasts, **(usual | values))


class Desk:
    """A root whose matters a test decides, and a teller whose clock it moves."""

    def __init__(self, root, monkeypatch):
        self.root = root
        self.now_s = datetime(2026, 11, 28, 12, tzinfo=UTC).timestamp()
        self.found = []
        self.warned = []
        self.knows_folders = True
        self.fails = {}
        self.sent = []
        monkeypatch.setattr(tellers, "find_matters", self._find)
        monkeypatch.setattr(tellers, "find_warned", lambda *_: self.warned)
        monkeypatch.setattr(tellers, "describe", lambda _root, found: list(found))
        self.woken = threading.Event()
        self.book = Book(root.private / "notify.sqlite")
        self.teller = self.begin()

    def _find(self, _root, known=(), kinds=tuple(Kind)):
        found = [
            each
            for each in self.found
            if each.kind in kinds and not (each.kind is Kind.BATCH and each.key in known)
        ]
        return Found(tuple(found), self.knows_folders)

    def begin(self):
        return Teller(self.root, self.book, self.send, lambda: self.now_s, self.woken.set)

    def restart(self):
        """As after a kill: nothing is left but the file."""
        self.book.close()
        self.book = Book(self.root.private / "notify.sqlite")
        self.teller = self.begin()

    def send(self, table, _root, message, body):
        way = "webhook" if hasattr(table, "url") else "mail"
        if way in self.fails:
            raise NotSent(self.fails[way])
        self.sent.append((way, message, body))
        return ""

    def turn(self, later_s=0.0):
        self.now_s += later_s
        self.woken.clear()
        self.teller.turn()
        while self.teller.is_sending():
            assert self.woken.wait(DEADLINE_S)
            self.woken.clear()
            self.teller.note_ends()

    def names(self):
        return [[each.name for each in body.items] for _, _, body in self.sent]

    def settings(self, text):
        (self.root.path / "hotfolder.toml").write_text(text)


@pytest.fixture
def desk(tmp_path, monkeypatch):
    root = Root(tmp_path / "root")
    root.private.mkdir(parents=True)
    made = Desk(root, monkeypatch)
    made.settings(AT_ONCE + MAIL)
    yield made
    made.book.close()


def test_what_waits_is_told_once(desk):
    desk.found = [matter("reeds")]
    for _ in range(3):
        desk.turn(3600)
    assert [["reeds"]] == desk.names()


def test_what_has_been_told_is_not_told_after_a_restart(desk):
    desk.found = [matter("reeds")]
    desk.turn()
    desk.restart()
    desk.turn(3600)
    assert [["reeds"]] == desk.names()


def test_many_within_a_short_time_are_one_message(desk):
    desk.settings(f'[notify]\ngather = "2 min"\napart = "0 s"\n{MAIL}')
    for number in range(5):
        desk.found = [*desk.found, matter(f"{number}")]
        desk.turn(20)
    assert [] == desk.sent
    desk.turn(60)
    assert [["0", "1", "2", "3", "4"]] == desk.names()


def test_the_next_message_is_not_sent_too_soon(desk):
    desk.settings(f'[notify]\ngather = "0 s"\napart = "10 min"\n{MAIL}')
    desk.found = [matter("first")]
    desk.turn()
    desk.found += [matter("second")]
    desk.turn(60)
    desk.found += [matter("third")]
    desk.turn(60)
    assert [["first"]] == desk.names()
    desk.turn(600)
    assert [["first"], ["second", "third"]] == desk.names()


def test_what_was_decided_meanwhile_is_not_told(desk):
    desk.settings(f'[notify]\ngather = "2 min"\n{MAIL}')
    desk.found = [matter("reeds"), matter("mud")]
    desk.turn()
    desk.found = [matter("mud")]
    desk.turn(200)
    assert [["mud"]] == desk.names()


def test_a_share_that_blinks_is_not_told(desk):
    desk.found = [matter("share", Kind.AWAY)]
    desk.turn()
    desk.found = []
    desk.turn(BLIP_S / 2)
    desk.turn(BLIP_S)
    assert [] == desk.sent


def test_a_share_that_comes_and_goes_is_told_once_and_later_again(desk):
    desk.found = [matter("share", Kind.AWAY)]
    desk.turn()
    desk.turn(BLIP_S)
    for _ in range(4):
        desk.found = []
        desk.turn(OVER_AFTER_S / 2)
        desk.found = [matter("share", Kind.AWAY)]
        desk.turn(BLIP_S)
    assert 1 == len(desk.sent)
    desk.found = []
    desk.turn(OVER_AFTER_S + 1)
    desk.found = [matter("share", Kind.AWAY)]
    desk.turn(1)
    desk.turn(BLIP_S)
    assert 2 == len(desk.sent)
    first, second = (body.items[0].id for _, _, body in desk.sent)
    assert first != second


def test_a_share_that_is_away_over_a_restart_is_the_same(desk):
    desk.found = [matter("share", Kind.AWAY)]
    desk.turn()
    desk.turn(BLIP_S)
    desk.now_s += 86400
    desk.restart()
    desk.knows_folders = False
    desk.found = []
    desk.turn()
    desk.knows_folders = True
    desk.found = [matter("share", Kind.AWAY)]
    desk.turn(OVER_AFTER_S * 2)
    desk.turn(BLIP_S)
    assert 1 == len(desk.sent)


def test_each_way_is_told_and_a_dead_one_keeps_the_other_from_nothing(desk):
    desk.settings(AT_ONCE + MAIL + HOOK)
    desk.fails = {"mail": "127.0.0.1 does not answer"}
    desk.found = [matter("reeds")]
    desk.turn()
    assert ["webhook"] == [way for way, *_ in desk.sent]
    desk.fails = {}
    desk.turn(10)
    assert 1 == len(desk.sent)
    desk.turn(30)
    assert ["webhook", "mail"] == [way for way, *_ in desk.sent]
    desk.turn(3600)
    assert 2 == len(desk.sent)


def test_what_comes_while_a_server_is_dead_is_one_message_afterwards(desk):
    desk.fails = {"mail": "dead"}
    for number in range(6):
        desk.found = [*desk.found, matter(f"{number}")]
        desk.turn(600)
    desk.fails = {}
    desk.turn(3600)
    desk.turn(5)
    assert [["0"], ["1", "2", "3", "4", "5"]] == desk.names()


def test_a_message_that_is_never_taken_is_made_anew_after_a_day(desk):
    desk.fails = {"mail": "no such address"}
    desk.found = [matter("reeds"), matter("mud")]
    desk.turn()
    desk.found = [matter("mud")]
    desk.turn(GIVE_UP_S + 1)
    desk.fails = {}
    desk.turn(3600)
    assert [["mud"]] == desk.names()


def test_changed_settings_are_used_at_once_and_wrong_ones_change_nothing(desk):
    desk.fails = {"mail": "no such server"}
    desk.found = [matter("reeds")]
    desk.turn()
    desk.fails = {}
    desk.settings(AT_ONCE + MAIL.replace("127.0.0.1", "localhost"))
    desk.turn(1)
    assert 1 == len(desk.sent)
    desk.settings(AT_ONCE + MAIL.replace('"none"', '"nothing"'))
    desk.found = [matter("mud")]
    desk.turn(1)
    assert 2 == len(desk.sent)
    desk.settings("")
    desk.found = [matter("tide")]
    desk.turn(1)
    assert 2 == len(desk.sent)


def test_only_what_is_asked_for_is_told(desk):
    desk.settings('[notify]\nabout = ["batch"]\ngather = "0 s"\n' + MAIL)
    desk.found = [matter("reeds"), matter("book", Kind.BATCH)]
    desk.turn()
    assert [["book"]] == desk.names()


def test_a_batch_that_ended_long_ago_is_never_told(desk):
    desk.found = [matter("book", Kind.BATCH, is_old=True)]
    desk.turn()
    desk.turn(3600)
    assert [] == desk.sent


def at(hour, minute=0, day=28):
    return datetime.combine(date(2026, 11, day), time(hour, minute)).astimezone().timestamp()


def test_at_night_nobody_is_woken(desk):
    desk.settings(f'[notify]\ngather = "0 s"\nhours = "07:00-21:00"\n{MAIL}')
    desk.found = [matter("reeds")]
    desk.now_s = at(23)
    desk.turn()
    desk.now_s = at(6, 59, day=29)
    desk.turn()
    assert [] == desk.sent
    desk.now_s = at(7, day=29)
    desk.turn()
    assert [["reeds"]] == desk.names()


def test_a_digest_says_in_the_morning_what_waits_ended_and_warns_once_a_day(desk):
    desk.settings(f'[notify]\ngather = "0 s"\napart = "0 s"\ndigest = "07:30"\n{MAIL}')
    desk.now_s = at(6)
    desk.found = [matter("reeds")]
    desk.turn()
    desk.found += [matter("book", Kind.BATCH, since="2026-11-28T05:30:00Z")]
    desk.warned = [matter("dunes", Kind.WARNED, job="a-job")]
    desk.now_s = at(7, 29)
    desk.turn()
    assert [["reeds"], ["book"]] == desk.names()
    desk.now_s = at(7, 31)
    desk.turn()
    desk.turn(600)
    assert [["reeds"], ["book"], ["reeds", "book", "dunes"]] == desk.names()
    assert ["matters", "matters", "digest"] == [body.kind for *_, body in desk.sent]
    first, _, digest = (body for *_, body in desk.sent)
    assert first.items[0].id == digest.items[0].id


def test_no_digest_is_sent_about_nothing(desk):
    desk.settings(f'[notify]\ndigest = "07:30"\n{MAIL}')
    desk.now_s = at(8)
    desk.turn()
    assert [] == desk.sent


def test_what_the_digest_has_said_is_not_said_again(desk):
    desk.settings(f'[notify]\ngather = "1 h"\ndigest = "07:30"\n{MAIL}')
    desk.now_s = at(7, 20)
    desk.found = [matter("reeds")]
    desk.turn()
    desk.now_s = at(7, 31)
    desk.turn()
    desk.turn(7200)
    assert ["digest"] == [body.kind for *_, body in desk.sent]


@pytest.mark.parametrize("when", ["before", "after"])
def test_a_kill_at_sending_repeats_the_same_message_at_most(desk, when):
    desk.found = [matter("reeds")]
    done = desk.root.path / "sent"

    def send(_table, _root, message, _body):
        if when == "after":
            done.write_text(message)
        os.kill(os.getpid(), signal.SIGKILL)

    desk.book.close()
    child = os.fork()
    if not child:
        book = Book(desk.root.private / "notify.sqlite")
        made = Teller(desk.root, book, send, lambda: desk.now_s)
        while True:
            made.turn()
    _, status = os.waitpid(child, 0)
    assert signal.SIGKILL == os.WTERMSIG(status)
    desk.restart()
    for _ in range(3):
        desk.turn(60)
    ((_, message, body),) = desk.sent
    assert ["reeds"] == [each.name for each in body.items]
    if when == "after":
        assert message == done.read_text()


def test_a_failure_is_said_in_words_and_with_no_secret(desk):
    desk.settings(AT_ONCE + HOOK)
    desk.now_s = datetime.now(UTC).timestamp()
    desk.fails = {"webhook": "example.org does not answer"}
    desk.found = [matter("reeds")]
    desk.turn()
    desk.turn(5)
    (said,) = describe_standing(desk.root, is_served=True)
    assert "no message by webhook at https://example.org since" in said
    assert "example.org does not answer; the next try is at" in said
    assert "token" not in place_of(desk.root).read_text()
    assert [] == describe_standing(desk.root, is_served=False)


def test_an_error_that_nobody_foresaw_is_a_failure_and_no_end(desk):
    def send(*_):
        raise RuntimeError("with a secret in it")

    desk.teller.send = send
    desk.found = [matter("reeds")]
    desk.now_s = datetime.now(UTC).timestamp()
    desk.turn()
    desk.turn(5)
    (said,) = describe_standing(desk.root, is_served=True)
    assert "RuntimeError" in said
    assert "secret" not in said


def test_nobody_who_tells_is_said(desk):
    (said,) = describe_standing(desk.root, is_served=True)
    assert "the process that does it does not run" in said
    desk.settings("")
    assert [] == describe_standing(desk.root, is_served=True)


def test_a_ledger_that_cannot_be_read_is_said(desk, monkeypatch):
    def find(*_, **__):
        raise StorageError("the ledger cannot be read")

    monkeypatch.setattr(tellers, "find_matters", find)
    desk.now_s = datetime.now(UTC).timestamp()
    desk.turn()
    (said,) = describe_standing(desk.root, is_served=True)
    assert "nobody can be told what waits: the ledger cannot be read" in said


def test_a_book_that_is_broken_is_set_aside(tmp_path):
    path = tmp_path / "notify.sqlite"
    path.write_bytes(b"no database " * 100)
    with contextlib.closing(Book(path)) as book:
        assert set() == book.known(["mail"])
    assert path.with_suffix(".broken").exists()


EACH_END = HOOK + "each_end = true\n"
ENDS = (Kind.DELIVERED, Kind.REFUSED)


def test_a_webhook_that_wants_it_is_told_each_end_and_mail_is_not(desk):
    desk.settings(AT_ONCE + MAIL + EACH_END)
    desk.found = [matter("reeds"), *(matter(f"{kind}", kind) for kind in ENDS)]
    desk.turn()
    desk.turn(3600)
    told = {way: [each.name for each in body.items] for way, _, body in desk.sent}
    assert told == {"mail": ["reeds"], "webhook": ["reeds", "refused", "delivered"]}
    assert len(desk.sent) == 2


def test_each_end_is_told_whatever_about_says(desk):
    desk.settings(AT_ONCE.replace("\n", '\nabout = ["trouble"]\n', 1) + EACH_END)
    desk.found = [matter("reeds"), matter("mud", Kind.DELIVERED), matter("late", Kind.BATCH)]
    desk.turn()
    assert [["reeds", "mud"]] == desk.names()


def test_without_it_no_end_is_told(desk):
    desk.settings(AT_ONCE + HOOK)
    desk.found = [matter(f"{kind}", kind) for kind in ENDS]
    desk.turn()
    assert [] == desk.sent


def test_what_does_not_fit_into_one_message_comes_in_the_next(desk):
    desk.settings(AT_ONCE + EACH_END)
    desk.found = [matter(f"mud {number}", Kind.DELIVERED) for number in range(100)]
    for _ in range(5):
        desk.turn(1)
    assert [40, 40, 20] == [len(each) for each in desk.names()]
    assert [0, 0, 0] == [body.not_listed for _, _, body in desk.sent]
    assert 100 == len({each for names in desk.names() for each in names})
