"""When a medium was off last, by what was measured of it: asked for often, and read seldom."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from hotfolder.errors import StorageError
from hotfolder.measured.book import LOG, Book
from hotfolder.measured.off_spans import OffSpan, find_off_spans
from hotfolder.settings.root import Root

_HOW: Final = {
    "drifted": ("has drifted", "had drifted"),
    "out of limits": ("is out of its limits", "was out of its limits"),
}


def read_last_off(root: Root, destination: str) -> tuple[OffSpan | None, str]:
    """Return the last time in which a medium was off, and what the latest measured strip says.

    Raises
    ------
    StorageError
        When what was measured cannot be read.
    """
    try:
        stat = (root.measured / destination / LOG).stat()
        return _read_verdicts(root, destination, stat.st_mtime_ns, stat.st_size)
    except FileNotFoundError:
        return None, ""
    except OSError as error:
        raise StorageError(f"{error.filename}: {error.strerror or error}") from error


def describe_off(span: OffSpan) -> str:
    """Say that a medium is off, or was, and from which print on."""
    is_over = span.until is not None
    said = " and ".join(words[is_over] for why, words in _HOW.items() if why in span.why)
    return f"Its medium {said}; the first print concerned is {span.file}."


@lru_cache(maxsize=256)
def _read_verdicts(
    root: Root, destination: str, _mtime_ns: int, _size: int
) -> tuple[OffSpan | None, str]:
    verdicts = Book(root, destination).read()
    spans = find_off_spans(verdicts)
    return (spans[-1], " ".join(verdicts[-1].words)) if spans else (None, "")
