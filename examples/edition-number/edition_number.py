"""The stage ``edition-number``: which print of a limited edition a job makes, such as 3/25.

A number is decided once for each job, before its first pixel, and written into a book of its own;
an attempt that is broken off and made again, or a held picture that is released, finds it there.
Two jobs of one picture never get the same one, whatever is worked on beside or killed when::

    stages = [..., "edition-number", ...]

    [stage.edition-number]
    book = "/srv/desk/editions.sqlite"
    of = 25

Other stages ask for it by ``job.told(EditionNumber)``; ``examples/outside-stage`` prints it.
"""

from __future__ import annotations

import argparse
import gzip
import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Annotated, ClassVar, Literal, NamedTuple

from pydantic import Field, field_validator

from hotfolder import (
    Column,
    EditionNumber,
    Facts,
    Findings,
    Job,
    Json,
    Message,
    Refuse,
    Stage,
    StageSettings,
    StorageError,
    hookimpl,
    number_in,
    text_in,
)

NAME = "edition-number"
TABLE = """
CREATE TABLE given (
    destination TEXT NOT NULL,
    picture     TEXT NOT NULL,
    number      INTEGER NOT NULL CHECK (number > 0),
    job         TEXT NOT NULL,
    PRIMARY KEY (destination, picture, number),
    UNIQUE (destination, job)
) STRICT
"""
BUSY_S = 20.0
"""How long another worker that is writing is waited for; it needs milliseconds."""


class EditionNumberSettings(StageSettings):
    """The table ``[stage.edition-number]``."""

    book: str
    """The file in which numbers are kept: absolute, on a disk of this machine. Two destinations, or
    two roots, may have the same one."""

    of: Annotated[int, Field(ge=1, le=100_000)]
    """How many prints there will be of each picture."""

    picture: Literal["name", "content"] = "name"
    """What makes two files one picture: the same name without its suffix, so that one that was
    exported again goes on counting; or the same bytes."""

    @field_validator("book")
    @classmethod
    def _check_book(cls, value: str) -> str:
        if not Path(value).is_absolute():
            raise ValueError('an absolute path, as in "/srv/desk/editions.sqlite"')
        return value


class EditionNumberStage(Stage[EditionNumberSettings]):
    """Give the job its number, and tell it; no pixel is changed."""

    name = NAME
    Settings = EditionNumberSettings
    tells: ClassVar[tuple[type[Message], ...]] = (EditionNumber,)

    def announce(self, job: Job) -> None:
        """Decide the number and tell it.

        Raises
        ------
        Refuse
            ``edition-complete``, when all numbers of the picture are given.
        StorageError
            When the book is not there or cannot be used: the job waits.
        """
        of = self.settings.of
        self._picture = find_picture(job, self.settings.picture)
        with open_book(Path(self.settings.book)) as db:
            decide = find_next if job.is_trial else give
            number = decide(db, job.destination, self._picture, job.id, of)
        if number is None:
            raise Refuse(
                "edition-complete",
                f"All {of} prints of {self._picture} for {job.destination} have their numbers. If "
                f"there are to be more, set `of` in [stage.{NAME}], and drop the picture again.",
                {"of": of, "picture": self._picture},
            )
        self._edition = EditionNumber(number, of, is_given=not job.is_trial)
        job.tell(self._edition)

    def close(self) -> Findings:
        """Return the number; in the record it outlives the book."""
        return {
            "edition": str(self._edition),
            "number": self._edition.number,
            "of": self._edition.of,
            "picture": self._picture,
            "is_given": self._edition.is_given,
        }

    @classmethod
    @hookimpl
    def hotfolder_facts(cls, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Add a column to records and reports."""
        return Facts(columns=(Column("edition", "Edition", "", text_in(findings, "edition")),))


def find_picture(job: Job, by: Literal["name", "content"]) -> str:
    """Return what all prints of one picture have in common."""
    return job.original.sha256 if by == "content" else Path(job.original.name).stem.casefold()


@contextmanager
def open_book(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a book that is there: one that is missing is never begun anew by itself.

    Raises
    ------
    StorageError
        When it is missing, or cannot be read or written.
    """
    if not path.is_file():
        raise StorageError(
            f"the book of editions {path} is not there. Connect its disk or put it back from a "
            f"copy; to begin one: python -m edition_number begin {path} [LOG ...], with the "
            "log.jsonl of the destinations that have numbers already"
        )
    try:
        with closing(sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)) as db:
            db.execute("PRAGMA synchronous = FULL")
            yield db
    except sqlite3.DatabaseError as error:
        raise StorageError(f"the book of editions {path} cannot be used: {error}") from error


def give(db: sqlite3.Connection, destination: str, picture: str, job: str, of: int) -> int | None:
    """Return the number of a job: the one that it has, or the next, its own from now on.

    The write lock is taken before anything is read, so that two workers never read the same last
    one; the keys of the table forbid it besides. None when there is none left.
    """
    db.execute("BEGIN IMMEDIATE")
    try:
        number = find_next(db, destination, picture, job, of)
        if number is not None:
            row = Given(destination, picture, number, job)
            db.execute("INSERT OR IGNORE INTO given VALUES (?, ?, ?, ?)", row)
    except BaseException:
        db.execute("ROLLBACK")
        raise
    db.execute("COMMIT")
    return number


def find_next(
    db: sqlite3.Connection, destination: str, picture: str, job: str, of: int
) -> int | None:
    """Return the number that a job has or would be given; None: none is left. Writes nothing."""
    mine = db.execute(
        "SELECT number FROM given WHERE destination = ? AND job = ?", (destination, job)
    ).fetchone()
    (last,) = db.execute(
        "SELECT coalesce(max(number), 0) FROM given WHERE destination = ? AND picture = ?",
        (destination, picture),
    ).fetchone()
    number = int(mine[0]) if mine else int(last) + 1
    return number if number <= of else None


def begin(path: Path, logs: Sequence[Path] = ()) -> int:
    """Make a new book, with the numbers that records have; return how many those are.

    Parameters
    ----------
    path
        Of a file that is not there yet.
    logs
        ``log.jsonl``, and ``log-YEAR.jsonl.gz``, of destinations that have given numbers before.

    Raises
    ------
    FileExistsError
        When there is a book already.
    """
    with path.open("xb"):
        pass
    rows = [row for log in logs for row in read_given(log)]
    with closing(sqlite3.connect(path)) as db, db:
        db.execute(TABLE)
        db.executemany("INSERT OR IGNORE INTO given VALUES (?, ?, ?, ?)", rows)
        (number,) = db.execute("SELECT count(*) FROM given").fetchone()
    return int(number)


class Given(NamedTuple):
    """A number that a record speaks of: a row of the book."""

    destination: str
    picture: str
    number: int
    job: str


def read_given(log: Path) -> Iterator[Given]:
    """Read the numbers that records of a log have."""
    opened = gzip.open if log.suffix == ".gz" else open
    with opened(log, "rt", encoding="utf-8") as lines:
        for line in lines:
            record = json.loads(line)
            found = record.get("findings", {}).get(NAME, {})
            number, picture = number_in(found, "number"), text_in(found, "picture")
            if number is not None and picture is not None:
                yield Given(record["destination"], picture, int(number), record["job"])


def main(arguments: Sequence[str] | None = None) -> None:
    """Begin a book, or list what is in one."""
    parser = argparse.ArgumentParser(prog="python -m edition_number", description=main.__doc__)
    parser.add_argument("act", choices=("begin", "list"))
    parser.add_argument("book", type=Path)
    parser.add_argument("log", type=Path, nargs="*", help="log.jsonl whose numbers it begins with")
    said = parser.parse_args(arguments)
    if said.act == "begin":
        try:
            print(f"{said.book}: {begin(said.book, said.log)} numbers given")  # noqa: T201
        except FileExistsError:
            parser.error(f"{said.book} is there already; a book is never begun twice")
        return
    with open_book(said.book) as db:
        for row in db.execute("SELECT * FROM given ORDER BY destination, picture, number"):
            print(*row, sep="\t")  # noqa: T201


if __name__ == "__main__":
    main()
