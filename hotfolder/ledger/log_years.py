"""A destination's records as one stream of lines, whether its log was cut into years or not.

``log.jsonl`` grows for ever, so `hotfolder tidy` cuts it: the lines of a year that is over go to
``log-2025.jsonl.gz`` beside it, byte for byte, and the chain goes on across: the first line of a
part says the hash of the last line of the part before it.

A part is written whole first; then the log is replaced by what is left of it. Between the two both
have the same lines: a part that begins as the log does is of a cut that was broken off, and is not
read.
"""

from __future__ import annotations

import gzip
import re
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from hotfolder.disk import durable

LOG_FILE: Final = "log.jsonl"
PART: Final = re.compile(r"log-(\d{4})\.jsonl\.gz")


def name_part(log: Path, year: int) -> Path:
    """Return where the lines of a year go."""
    return log.with_name(f"log-{year:04}.jsonl.gz")


def list_parts(log: Path) -> list[Path]:
    """Return the parts that were cut off a log, the oldest first.

    Raises
    ------
    OSError
        When the folder or a file in it cannot be read.
    """
    try:
        found = sorted(each for each in log.parent.iterdir() if PART.fullmatch(each.name))
    except (FileNotFoundError, NotADirectoryError):
        return []
    first = next(read_file(log), b"") if found and durable.is_there(log) else b""
    return [each for each in found if not first or next(read_file(each), b"") != first]


def read_lines(log: Path) -> Iterator[bytes]:
    """Read all records of a destination, the oldest first; the last line may lack its end.

    Raises
    ------
    OSError
        When a part cannot be read, or is damaged.
    """
    for part in [*list_parts(log), log]:
        try:
            yield from read_file(part)
        except FileNotFoundError:
            if part != log:
                raise


def read_file(path: Path) -> Iterator[bytes]:
    """Read the lines of a log, or of a part of one.

    Raises
    ------
    OSError
        When it cannot be read, or is damaged.
    """
    with durable.open_to_read(path) as file:
        if not PART.fullmatch(path.name):
            yield from file
            return
        try:
            with gzip.open(file) as lines:
                yield from lines
        except (EOFError, zlib.error) as error:
            raise OSError(5, f"is damaged: {error}", str(path)) from error
