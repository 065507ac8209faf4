"""Files of batches that the ledger does not know: it was lost, or is an older one put back.

What came for a batch stays in ``originals/NAME/BATCH/``, so the folders tell it again. A batch
whose files are found so rests: nothing is delivered again without a person's word. Its ticket,
dropped once more, is that word, and what its records know is not made again.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from hotfolder.disk import durable, names
from hotfolder.ledger.jobs import Ledger
from hotfolder.ledger.reading import LedgerReader

FOUND = -1
"""For ``records_before`` of a file that was found; less than any number of a record."""


@dataclass(frozen=True)
class FoundFile:
    """A file that stays for a batch, and that nothing mentions."""

    destination: str
    batch: str
    name: str
    """Below the batch's folder."""
    place: Path
    changed_ns: int
    """When it was put there."""


def find_files(ledger: LedgerReader, destination: str, originals: Path) -> list[FoundFile]:
    """Find the files of a destination's batches that neither batch nor record mentions.

    In the order in which they were put there.

    Raises
    ------
    OSError
        When the folder cannot be read.
    """
    known = {
        ledger.places.find(place)
        for (place,) in ledger.read(
            "SELECT place FROM batch_files WHERE destination = ?", (destination,)
        )
    }
    found = [
        each
        for each in _list_files(destination, originals)
        if str(each.place) not in known and not _is_recorded(ledger, each)
    ]
    return sorted(found, key=lambda each: each.changed_ns)


def take_up(ledger: Ledger, destination: str, originals: Path) -> dict[str, int]:
    """Let the ledger know of such files again; return how many there are of each batch.

    Raises
    ------
    OSError
        When one cannot be read; can be called again.
    """
    counts: dict[str, int] = {}
    for each in find_files(ledger, destination, originals):
        digest = durable.sha256_of(each.place)
        shown = names.display_name(each.name)
        with ledger.transaction() as db:
            added = db.execute(
                "INSERT INTO batch_files (destination, batch, key, name, place, sha256, bytes,"
                " arrived, records_before) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    destination, each.batch, names.collision_key(shown), shown,
                    ledger.places.shorten(str(each.place)), digest.sha256, digest.bytes,
                    _format(each.changed_ns), FOUND,
                ),
            )  # fmt: skip
            # it rests: see above
            db.execute(
                "INSERT INTO batch_progress (destination, batch, planned_to) VALUES (?, ?, ?)"
                " ON CONFLICT (destination, batch) DO UPDATE SET planned_to = excluded.planned_to",
                (destination, each.batch, added.lastrowid),
            )
        counts[each.batch] = counts.get(each.batch, 0) + 1
    return counts


def forget_kept(ledger: Ledger, destination: str, spool: Path) -> None:
    """Forget claims of an older ledger whose files have been put where they stay since.

    Such a row has no original in the spool, and a file of its name and size is in its batch.
    """
    rows = ledger.read(
        "SELECT id, source, bytes FROM jobs WHERE state = 'claimed' AND destination = ?"
        " AND kind = 'file' AND json_extract(detail, '$.placement') IS NULL",
        (destination,),
    )
    for job, source, size in rows:
        name = names.display_name(source.rsplit(b"/", 1)[-1])
        is_kept = ledger.read(
            "SELECT 1 FROM batch_files WHERE destination = ? AND bytes = ?"
            " AND (name = ? OR name LIKE '%/' || ?)",
            (destination, size, name, name),
        )
        if is_kept and not durable.is_there(spool / job):
            with ledger.transaction() as db:
                db.execute("DELETE FROM jobs WHERE id = ? AND state = 'claimed'", (job,))


def list_resting(ledger: LedgerReader) -> list[tuple[str, str, int]]:
    """Destination, name and number of found files of batches that nothing has come for since."""
    if ledger.is_behind:
        return []
    rows = ledger.read(
        "SELECT destination, batch, sum(records_before = ?) FROM batch_files"
        " GROUP BY destination, batch HAVING max(seq) ="
        " max(CASE WHEN records_before = ? THEN seq END)",
        (FOUND, FOUND),
    )
    return [(destination, batch, number) for destination, batch, number in rows]


def describe_resting(destination: str, batch: str, number: int) -> str:
    """Say of a batch that rests what a person can do."""
    files = "1 file" if number == 1 else f"{number} files"
    return (
        f"{destination}: {files} of the batch {batch} came after the ledger that is used now was "
        "saved. They are kept, and nothing is made of them by itself: drop the batch's ticket "
        f"into {destination}'s hot folder once more, in a folder {batch}, and what has not been "
        "made is made"
    )


def _list_files(destination: str, originals: Path) -> Iterator[FoundFile]:
    for folder in sorted(originals.iterdir()):
        if folder.is_symlink() or not folder.is_dir():
            continue
        for top, _, inside in os.walk(folder):
            for name in inside:
                path = Path(top) / name
                if name.startswith(durable.TEMPORARY_PREFIX) or path.is_symlink():
                    continue
                below = path.relative_to(folder).as_posix()
                yield FoundFile(destination, folder.name, below, path, path.stat().st_ctime_ns)


def _is_recorded(ledger: LedgerReader, found: FoundFile) -> bool:
    """Whether a record says that it is the original of its job alone, and no batch's."""
    rows = ledger.read(
        "SELECT 1 FROM records JOIN jobs ON jobs.id = records.job"
        " WHERE records.destination = ? AND batch = ? AND latest = 1 AND"
        " json_extract(unpack(jobs.record), '$.original_kept') IN (?, ?)"
        " AND json_extract(unpack(jobs.record), '$.original_kept')"
        " != json_extract(unpack(jobs.record), '$.placement.kept')",
        (
            found.destination, found.batch, str(found.place),
            ledger.places.shorten(str(found.place)),
        ),
    )  # fmt: skip
    return bool(rows)


def _format(time_ns: int) -> str:
    return datetime.fromtimestamp(time_ns / 1e9, UTC).isoformat(timespec="milliseconds")
