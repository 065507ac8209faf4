"""What was told and what is still to be told, durably: ``.hotfolder/notify.sqlite``.

A message is committed together with what it tells before anybody sends it, and the fact that it was
sent afterwards. So nothing is told in two messages, whatever is killed when; the same message may
be sent twice, with the same id, when a kill comes between sending it and noting that.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import uuid
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any, Final

from hotfolder.errors import StorageError
from hotfolder.notify.matters import Matter

KEPT_S: Final = timedelta(days=60).total_seconds()
"""How long what is over is remembered."""

OVER_AFTER_S: Final = 600.0
"""What lasts is over when it was not found for so long; if it comes back before, it is the same."""

_NOTED_EVERY_S: Final = 60
_VERSION: Final = 1
_TABLES = """
CREATE TABLE matters (
    key  TEXT NOT NULL PRIMARY KEY,
    id   TEXT NOT NULL,
    seen REAL NOT NULL,
    last REAL NOT NULL,
    told INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE TABLE messages (
    id     TEXT NOT NULL PRIMARY KEY,
    way    TEXT NOT NULL,
    digest TEXT NOT NULL,
    body   TEXT NOT NULL,
    made   REAL NOT NULL,
    tries  INTEGER NOT NULL DEFAULT 0,
    next   REAL NOT NULL,
    said   TEXT NOT NULL DEFAULT '',
    sent   REAL,
    ended  REAL
) STRICT;
CREATE TABLE told (
    matter  TEXT NOT NULL,
    way     TEXT NOT NULL,
    message TEXT NOT NULL,
    PRIMARY KEY (matter, way)
) STRICT
"""


@dataclass(frozen=True)
class Pending:
    """A message that is to be sent by one way."""

    id: str
    """The same each time it is sent."""
    way: str
    body: str
    """JSON; see `hotfolder.notify.message`."""
    made_s: float
    """Seconds since 1970."""
    tries: int
    """How often it was tried in vain."""
    next_s: float
    """When it is tried next, seconds since 1970."""
    said: str
    """Why it could not be sent, at the last try."""


class Book:
    """The file, open; for one process and one thread."""

    def __init__(self, path: Path) -> None:
        """Open it, or make it; one that cannot be read is set aside.

        Raises
        ------
        StorageError
            When it can be neither opened nor made.
        """
        try:
            self._db = _open(path)
        except sqlite3.OperationalError as error:
            raise _say(path, error) from error
        except sqlite3.DatabaseError:
            # what was told is forgotten then: being told twice is better than never
            try:
                path.replace(path.with_suffix(".broken"))
                self._db = _open(path)
            except (OSError, sqlite3.Error) as again:
                raise _say(path, again) from again
        self._path = path

    def close(self) -> None:
        """Close it."""
        self._db.close()

    def begin(self, now_s: float) -> None:
        """Go on after a time in which nobody looked; `now_s`: seconds since 1970."""
        with self._changing():
            self._keep_lasting(now_s)

    def known(self, ways: Collection[str]) -> set[str]:
        """Keys of what need not be looked at again: old, or told by each of these ways."""
        listed = json.dumps(list(ways))
        rows = self._read(
            "SELECT key FROM matters WHERE told OR (SELECT count(*) FROM told WHERE told.matter ="
            " matters.id AND told.way IN (SELECT value FROM json_each(?))) = json_array_length(?)",
            (listed, listed),
        )
        return {key for (key,) in rows}

    def note(self, found: Sequence[Matter], now_s: float, *, with_lasting: bool) -> None:
        """Note what was found; forget what is over.

        Parameters
        ----------
        found
            All there is to be told now, but for batches that are known.
        now_s
            Seconds since 1970.
        with_lasting
            Whether `found` has all that lasts; else what was found last still stands.
        """
        with self._changing():
            if not with_lasting:
                self._keep_lasting(now_s)
            for each in found:
                own = f"{each.key}:{int(now_s)}" if each.lasts else each.key
                self._db.execute(
                    "INSERT INTO matters (key, id, seen, last, told) VALUES (?, ?, ?, ?, ?)"
                    # seldom: what changes nothing wakes no disk
                    " ON CONFLICT (key) DO UPDATE SET last = excluded.last"
                    " WHERE excluded.last NOT BETWEEN last AND last + ?",
                    (each.key, own, now_s, now_s, each.is_old, _NOTED_EVERY_S),
                )
            self._db.execute(
                "DELETE FROM matters WHERE id != key AND last < ?", (now_s - OVER_AFTER_S,)
            )
            old = now_s - KEPT_S
            self._db.execute("DELETE FROM matters WHERE last < ?", (old,))
            self._db.execute("DELETE FROM messages WHERE coalesce(sent, ended) < ?", (old,))
            self._db.execute(
                "DELETE FROM told WHERE message NOT IN (SELECT id FROM messages)"
                " AND matter NOT IN (SELECT id FROM matters)"
            )

    def untold(self, found: Sequence[Matter], way: str) -> list[tuple[Matter, str, float]]:
        """What of it was not told by a way: each with its id, and since when it is known."""
        rows = self._read(
            "SELECT key, id, seen FROM matters WHERE NOT told AND NOT EXISTS"
            " (SELECT 1 FROM told WHERE told.matter = matters.id AND told.way = ?)",
            (way,),
        )
        noted = {key: (own, seen) for key, own, seen in rows}
        return [(each, *noted[each.key]) for each in found if each.key in noted]

    def ids(self, found: Iterable[Matter]) -> dict[str, str]:
        """Their ids by their keys."""
        keys = {each.key for each in found}
        rows = self._read("SELECT key, id FROM matters")
        return {key: own for key, own in rows if key in keys}

    def add(
        self, way: str, body: str, told: Collection[str], now_s: float, *, digest: str = ""
    ) -> Pending:
        """Add a message that is to be sent, with the ids of what it tells; it is durable then.

        digest: the day, of a digest.
        """
        made = str(uuid.uuid4())
        with self._changing():
            self._db.execute(
                "INSERT INTO messages (id, way, digest, body, made, next)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (made, way, digest, body, now_s, now_s),
            )
            self._db.executemany(
                "INSERT OR IGNORE INTO told (matter, way, message) VALUES (?, ?, ?)",
                [(each, way, made) for each in told],
            )
        return Pending(made, way, body, now_s, 0, now_s, "")

    def pending(self, way: str) -> Pending | None:
        """The message that is to be sent by a way; None when there is none."""
        rows = self._read(
            "SELECT id, way, body, made, tries, next, said FROM messages"
            " WHERE way = ? AND sent IS NULL AND ended IS NULL ORDER BY made LIMIT 1",
            (way,),
        )
        return Pending(*rows[0]) if rows else None

    def note_sent(self, message: str, now_s: float) -> None:
        """Note that a message was sent."""
        with self._changing():
            self._db.execute("UPDATE messages SET sent = ? WHERE id = ?", (now_s, message))

    def note_failed(self, message: str, said: str, next_s: float) -> None:
        """Note that it could not be sent, why, and when it is tried again."""
        with self._changing():
            self._db.execute(
                "UPDATE messages SET tries = tries + 1, said = ?, next = ? WHERE id = ?",
                (said, next_s, message),
            )

    def hasten(self, way: str, now_s: float) -> None:
        """Try what is to be sent by a way at once: its settings have changed."""
        with self._changing():
            self._db.execute(
                "UPDATE messages SET next = ? WHERE way = ? AND sent IS NULL", (now_s, way)
            )

    def give_up(self, message: str, now_s: float) -> None:
        """Note that a message is not tried any more: what it tells has not been told."""
        with self._changing():
            self._db.execute("UPDATE messages SET ended = ? WHERE id = ?", (now_s, message))
            self._db.execute("DELETE FROM told WHERE message = ?", (message,))

    def last_sent_s(self, way: str) -> float | None:
        """When something was sent by a way last, seconds since 1970; None: never."""
        (sent,) = self._read("SELECT max(sent) FROM messages WHERE way = ?", (way,))[0]
        return sent if isinstance(sent, float) else None

    def has_digest(self, way: str, day: str) -> bool:
        """Whether the digest of a day was made for a way."""
        return bool(self._read("SELECT 1 FROM messages WHERE way = ? AND digest = ?", (way, day)))

    def last_digest_s(self, way: str) -> float | None:
        """When the last digest for a way was made; None: never."""
        query = "SELECT max(made) FROM messages WHERE way = ? AND digest != ''"
        (made,) = self._read(query, (way,))[0]
        return made if isinstance(made, float) else None

    def _keep_lasting(self, now_s: float) -> None:
        """What lasts is not over: nobody could know of it for a while."""
        self._db.execute("UPDATE matters SET last = ? WHERE id != key", (now_s,))

    def _read(self, query: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        try:
            return self._db.execute(query, values).fetchall()
        except sqlite3.DatabaseError as error:
            raise _say(self._path, error) from error

    @contextlib.contextmanager
    def _changing(self) -> Iterator[None]:
        try:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")
        except sqlite3.DatabaseError as error:
            raise _say(self._path, error) from error


def _open(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, isolation_level=None, timeout=5.0)
    try:
        db.execute("PRAGMA synchronous=FULL")
        (version,) = db.execute("PRAGMA user_version").fetchone()
        if version == 0:
            with closing(db.cursor()) as cursor:
                cursor.execute("BEGIN IMMEDIATE")
                for statement in _TABLES.split(";\n"):
                    cursor.execute(statement)
                cursor.execute(f"PRAGMA user_version={_VERSION}")
                cursor.execute("COMMIT")
        elif version != _VERSION:
            raise sqlite3.OperationalError("a newer hotfolder has written it")  # noqa: TRY301
    except BaseException:
        db.close()
        raise
    return db


def _say(path: Path, error: sqlite3.Error | OSError) -> StorageError:
    return StorageError(f"{path}, which says what people were told, cannot be used: {error}")
