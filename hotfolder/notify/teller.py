"""Deciding when who is told what. One turn asks nothing of a server but to take one message."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Final, Literal

from hotfolder.disk.pulse import Errand
from hotfolder.errors import StorageError
from hotfolder.logs import get_log
from hotfolder.notify.book import Book, Pending
from hotfolder.notify.mail import send_mail
from hotfolder.notify.matters import Found, Kind, Matter, describe, find_matters, find_warned
from hotfolder.notify.message import Body, list_first, make_body, read_body, to_json
from hotfolder.notify.sending import NotSent, say_where
from hotfolder.notify.standing import SAID_EVERY_S, Standing, WayStanding, write_standing
from hotfolder.notify.webhook import post
from hotfolder.settings.files import read_notify
from hotfolder.settings.notify import MailTable, NotifyTable, WebhookTable, is_told_each_end
from hotfolder.settings.root import Root

BLIP_S: Final = 60.0
"""What lasts is told when it has lasted for so many seconds: a share may blink."""

RETRY_S: Final = (30.0, 60.0, 120.0, 300.0, 900.0, 1800.0, 3600.0)
"""How long is waited after each failure; the last stands for all further ones."""

GIVE_UP_S: Final = 86400.0
"""How long a message is tried, in seconds; what still waits then is in a new one."""

_LATEST_DIGEST: Final = timedelta(hours=12)
"""A digest whose time was so long ago is left out: nobody was here in the morning."""

_LASTING: Final = frozenset({Kind.AWAY, Kind.TROUBLE})

Way = MailTable | WebhookTable
Send = Callable[[Way, Root, str, Body], str]
"""Sends a message of that id by a way; returns a remark, or raises `NotSent`."""


def send(table: Way, root: Root, message: str, body: Body) -> str:
    """Send a message by a way; return a remark about it, "" when all is well.

    Raises
    ------
    NotSent
        When it was not sent, or nobody knows.
    """
    if isinstance(table, MailTable):
        return send_mail(table, root.path, message, body)
    return post(table, root.path, message, body)


@dataclass
class _AtWay:
    """What is going on at one way."""

    table: Way
    errand: Errand[str] | None = None
    sending: str = ""
    """Id of the message that the errand sends."""
    remark: str = ""


@dataclass
class Teller:
    """Tells people of one root."""

    root: Root
    book: Book
    send: Send = send
    clock: Callable[[], float] = time.time
    """Seconds since 1970."""
    wake: Callable[[], None] = lambda: None
    """Called, in any thread, when something has been sent or has failed."""
    _ways: dict[str, _AtWay] = field(default_factory=dict)
    _table: NotifyTable = field(default_factory=NotifyTable)
    _said: Standing | None = None
    _said_s: float = 0.0

    def __post_init__(self) -> None:
        self.book.begin(self.clock())

    def turn(self) -> None:
        """Look once; begin to send what is due, and note what has become of what was sent."""
        problem = self._take_up_settings()
        try:
            self.note_ends()
            known = self.book.known(tuple(self._ways))
            kinds = frozenset(self._table.about).union(
                *(self._table.kinds_for(each.table) for each in self._ways.values())
            )
            found = find_matters(self.root, known, kinds)
            self.book.note(found.matters, self.clock(), with_lasting=found.knows_folders)
            for name, at in self._ways.items():
                self._serve(name, at, found)
        except StorageError as error:
            problem = problem or f"nobody can be told what waits: {error}"
        self._say(problem)

    def is_sending(self) -> bool:
        """Whether a server has been given a message and has not answered."""
        return any(each.errand is not None for each in self._ways.values())

    def _take_up_settings(self) -> str:
        """Use what ``hotfolder.toml`` says now; return why it cannot be used, or ""."""
        table, problems = read_notify(self.root.path)
        if table is None:
            return f"the settings in use are the earlier ones: {problems[0]}"
        self._table = table
        for name, each in table.ways.items():
            at = self._ways.get(name)
            if at is None:
                self._ways[name] = _AtWay(each)
            elif at.table != each:
                at.table, at.remark = each, ""
                self.book.hasten(name, self.clock())
        for name in self._ways.keys() - table.ways.keys():
            del self._ways[name]
        return ""

    def note_ends(self) -> None:
        """Note what has become of messages that were given to servers."""
        for name, at in self._ways.items():
            if at.errand is None or not at.errand.is_done():
                continue
            errand, at.errand = at.errand, None
            now_s = self.clock()
            try:
                at.remark = errand.answer()
            except NotSent as error:
                self._note_failure(name, at.sending, str(error), now_s)
            except Exception as error:  # noqa: BLE001 - a server's answer must not end this process
                get_log().exception("notify.failed", way=name, message=at.sending)
                # what an unforeseen error says may have a secret in it
                self._note_failure(name, at.sending, type(error).__name__, now_s)
            else:
                self.book.note_sent(at.sending, now_s)
                get_log().info("notify.sent", way=name, message=at.sending)

    def _note_failure(self, way: str, message: str, said: str, now_s: float) -> None:
        pending = self.book.pending(way)
        if pending is None or pending.id != message:
            return
        wait_s = RETRY_S[min(pending.tries, len(RETRY_S) - 1)]
        self.book.note_failed(message, said, now_s + wait_s)
        if pending.said != said:
            get_log().warning("notify.not_sent", way=way, message=message, reason=said)

    def _serve(self, name: str, at: _AtWay, found: Found) -> None:
        if at.errand is not None:
            return
        now_s = self.clock()
        pending = self.book.pending(name)
        if pending is not None and now_s - pending.made_s > GIVE_UP_S:
            self.book.give_up(pending.id, now_s)
            get_log().error("notify.given_up", way=name, message=pending.id, reason=pending.said)
            pending = None
        if pending is None:
            pending = self._make_due(name, found, now_s)
        if pending is not None and now_s >= pending.next_s:
            self._begin(at, pending)

    def _begin(self, at: _AtWay, pending: Pending) -> None:
        act = partial(self.send, at.table, self.root, pending.id, read_body(pending.body))
        try:
            at.errand = Errand("notify", act, self.wake)
        except OSError:
            return  # no room for a thread: the next turn tries again
        at.sending = pending.id

    def _make_due(self, way: str, found: Found, now_s: float) -> Pending | None:
        """Make the message that is due, if one is; it is durable then."""
        day = self._find_digest_day(now_s)
        if day and not self.book.has_digest(way, day):
            digest = self._make_digest(way, day, now_s)
            if digest is not None:
                return digest
        if self._table.hours is not None and not self._table.hours.is_open(now_s):
            return None
        last_s = self.book.last_sent_s(way)
        if last_s is not None and now_s - last_s < self._table.apart:
            return None
        table = self._ways[way].table
        kinds = self._table.kinds_for(table)
        untold = [
            (each, own, seen_s)
            for each, own, seen_s in self.book.untold(found.matters, way)
            if each.kind in kinds and (each.kind not in _LASTING or now_s - seen_s >= BLIP_S)
        ]
        if not untold or now_s - min(seen for *_, seen in untold) < self._table.gather:
            return None
        told = [(each, own) for each, own, _ in untold]
        # a program that is told each end misses none that is only counted
        return self._make("matters", way, list_first(told) if is_told_each_end(table) else told,
                          now_s)  # fmt: skip

    def _find_digest_day(self, now_s: float) -> str:
        """The day whose digest is due by the clocks here; "" when none is."""
        at = self._table.digest
        if at is None:
            return ""
        now = datetime.fromtimestamp(now_s, UTC).astimezone()
        due = datetime.combine(now.date(), at).astimezone()
        return now.date().isoformat() if due <= now < due + _LATEST_DIGEST else ""

    def _make_digest(self, way: str, day: str, now_s: float) -> Pending | None:
        """Everything that waits, and what has happened since the last digest; None for nothing."""
        since_s = max(self.book.last_digest_s(way) or now_s - 86400, now_s - 7 * 86400)
        since = datetime.fromtimestamp(since_s, UTC)
        found = find_matters(self.root, kinds=self._table.about).matters
        ids = self.book.ids(found)
        told = [
            (each, ids[each.key])
            for each in found
            if each.key in ids
            and (each.kind is not Kind.BATCH or datetime.fromisoformat(each.since) > since)
        ]
        told += [(each, each.key) for each in find_warned(self.root, since)]
        return self._make("digest", way, told, now_s, day) if told else None

    def _make(
        self,
        kind: Literal["matters", "digest"],
        way: str,
        told: Sequence[tuple[Matter, str]],
        now_s: float,
        day: str = "",
    ) -> Pending:
        listed = list_first(told)
        described = describe(self.root, [each for each, _ in listed])
        by_key = {each.key: each for each in described}
        made = _say(now_s)
        body = make_body(
            kind,
            self.root.path.name,
            made,
            [(by_key.get(each.key, each), own) for each, own in told],
        )
        return self.book.add(way, to_json(body), [own for _, own in told], now_s, digest=day)

    def _say(self, problem: str) -> None:
        now_s = self.clock()
        ways = []
        for name, at in self._ways.items():
            pending = self.book.pending(name) if not problem else None
            failed = pending.said if pending else ""
            ways.append(
                WayStanding(
                    way=name,
                    where=say_where(at.table),
                    failed=failed,
                    failed_since=_say(pending.made_s) if pending and failed else "",
                    next_try=_say(pending.next_s) if pending and failed else "",
                    remark=at.remark,
                )
            )
        said = Standing(written=_say(now_s), ways=tuple(ways), problem=problem)
        before = self._said.model_copy(update={"written": said.written}) if self._said else None
        if before != said or now_s >= self._said_s + SAID_EVERY_S or now_s < self._said_s:
            self._said, self._said_s = said, now_s
            write_standing(self.root, said)


def _say(moment_s: float) -> str:
    moment = datetime.fromtimestamp(moment_s, UTC)
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")
