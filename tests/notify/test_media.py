"""A medium that drifts: told once when it begins, once when it is good again."""

from datetime import UTC, datetime, timedelta

import pytest

from hotfolder.measured.book import Book
from hotfolder.model.snapshot import Snapshot
from hotfolder.notify import book as books
from hotfolder.notify import matters
from hotfolder.notify.matters import Kind, find_matters
from hotfolder.notify.teller import Teller
from hotfolder.settings.root import Root
from measuring import test_off_spans
from notify.test_teller import AT_ONCE, MAIL

NOW = datetime.now(UTC)


class Press:
    """A root with one destination, whose strips a test measures."""

    def __init__(self, root):
        self.root = root
        self.now_s = NOW.timestamp()
        self.sent = []
        self.book = books.Book(root.private / "notify.sqlite")
        self.teller = Teller(root, self.book, self._send, lambda: self.now_s)
        self._measured = 0

    def _send(self, _table, _root, _message, body):
        self.sent += [(each.kind, each.says) for each in body.items]
        return ""

    def measure(self, **how):
        self._measured += 1
        judged = (
            f"{NOW - timedelta(hours=2) + timedelta(minutes=self._measured):%Y-%m-%dT%H:%M:%SZ}"
        )
        made = test_off_spans.verdict(self._measured, **how)
        Book(self.root, "canvas").append(made.model_copy(update={"judged": judged}))

    def turn(self, later_s=120.0):
        self.now_s += later_s
        self.teller.turn()
        while self.teller.is_sending():
            self.teller.note_ends()
        return [kind for kind, _ in self.sent]


@pytest.fixture
def press(tmp_path, monkeypatch):
    # as where a daemon serves the root: else nothing that lasts is ever over
    snapshot = Snapshot(pid=1, started="", written="", workers=1)
    monkeypatch.setattr(matters, "_read_snapshot", lambda _root: snapshot)
    root = Root(tmp_path / "root")
    for folder in (root.private, root.destinations, root.measured / "canvas"):
        folder.mkdir(parents=True)
    (root.destinations / "canvas.toml").write_text('title = "Fine-art canvas"')
    (root.path / "hotfolder.toml").write_text(AT_ONCE + MAIL)
    made = Press(root)
    yield made
    made.book.close()


def test_a_drift_is_told_once_when_it_begins_and_once_when_it_is_over(press):
    press.measure()
    assert [] == press.turn()
    press.measure(since="day 2.txt")
    assert [Kind.MEDIUM] == press.turn()
    assert "has drifted; the first print concerned is day 2.txt" in press.sent[0][1]
    press.measure(since="day 1.txt")  # it began earlier, as is known now
    press.turn()
    assert [Kind.MEDIUM] == press.turn(86400)
    press.measure()
    assert [Kind.MEDIUM, Kind.MEDIUM_BACK] == press.turn()
    assert "good again. Its medium had drifted" in press.sent[1][1]
    assert [Kind.MEDIUM, Kind.MEDIUM_BACK] == press.turn(3600)
    press.measure(within=False)
    assert Kind.MEDIUM == press.turn()[-1]
    assert "is out of its limits" in press.sent[2][1]
    assert len(press.sent) == 3


def test_a_medium_is_not_told_where_nobody_wants_to_know(press):
    press.measure(within=False)
    (press.root.path / "hotfolder.toml").write_text(
        AT_ONCE.replace("\n", '\nabout = ["held"]\n', 1) + MAIL
    )
    assert [] == press.turn()
    press.measure()
    assert [] == press.turn()


def test_a_medium_that_came_back_long_ago_is_old(press):
    for within in (True, False, True):
        made = test_off_spans.verdict(-400, within=within)
        Book(press.root, "canvas").append(made)
    (found,) = find_matters(press.root).matters
    assert found.is_old
    assert [] == press.turn()


def test_a_destination_that_was_taken_away_has_no_medium(press):
    press.measure(within=False)
    (press.root.destinations / "canvas.toml").unlink()
    assert () == find_matters(press.root).matters
