"""What was measured for a destination: files that are kept, and a log with a verdict a line.

``measured/NAME/verdicts.jsonl`` has a line for each file in ``measured/NAME/kept/``. A file is
moved there first and judged then; what a kill left without a line is judged at the next start. So
no measurement is lost, and none counts twice.

A photograph of strips goes the same way, into ``kept/photographs/`` and ``photographs.jsonl``: it
is no measurement, and stands apart.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final, TypeVar

from pydantic import ValidationError

from hotfolder.disk import durable, line_log
from hotfolder.disk.free_names import free_name
from hotfolder.disk.names import safe_component
from hotfolder.measured.records import Photographed, Verdict
from hotfolder.settings.root import Root

LOG: Final = "verdicts.jsonl"
PHOTOGRAPH_LOG: Final = "photographs.jsonl"
PHOTOGRAPHS: Final = "photographs"
KEPT: Final = "kept"
REFUSED: Final = "refused"
NEW_BATCH: Final = "new-batch"
WHY: Final = ".why.txt"
_LONGEST_LOG: Final = 64 * 2**20
_LAST_LINES: Final = 2**18
"""Bytes; a verdict has some 3,000."""

LineT = TypeVar("LineT", Verdict, Photographed)


class Book:
    """The measurements of one destination."""

    def __init__(self, root: Root, destination: str) -> None:
        self.destination = destination
        self.folder = root.measured / destination
        self.kept = self.folder / KEPT
        self.refused = self.folder / REFUSED

    def read(self) -> list[Verdict]:
        """Return all verdicts, oldest first; lines that are none are left out.

        Raises
        ------
        OSError
            When the log is there and cannot be read.
        """
        return self._read_lines(LOG, Verdict)

    def _read_lines(self, log: str, model: type[LineT]) -> list[LineT]:
        try:
            with durable.open_to_read(self.folder / log) as file:
                lines = file.read(_LONGEST_LOG).split(b"\n")
        except FileNotFoundError:
            return []
        found = []
        for line in lines:
            try:
                found.append(model.model_validate_json(line))
            except ValidationError:
                continue  # torn, or of a later version
        return found

    def read_last(self) -> Verdict | None:
        """Return the latest verdict; None when there is none. The log is read from its end.

        Raises
        ------
        OSError
            When the log is there and cannot be read.
        """
        try:
            with durable.open_to_read(self.folder / LOG) as file:
                size = file.seek(0, os.SEEK_END)
                file.seek(max(0, size - _LAST_LINES))
                lines = file.read(_LAST_LINES).split(b"\n")
        except FileNotFoundError:
            return None
        for line in reversed(lines):
            try:
                return Verdict.model_validate_json(line)
            except ValidationError:
                continue
        return None

    def append(self, verdict: Verdict) -> None:
        """Add a verdict, durably.

        Raises
        ------
        OSError
            When it cannot be written.
        """
        line_log.append_line(self.folder / LOG, verdict.model_dump_json().encode())

    def read_photographs(self) -> list[Photographed]:
        """Return what photographs said, oldest first; lines that are none are left out.

        Raises
        ------
        OSError
            When the log is there and cannot be read.
        """
        return self._read_lines(PHOTOGRAPH_LOG, Photographed)

    def append_photograph(self, photographed: Photographed) -> None:
        """Add what a photograph said, durably.

        Raises
        ------
        OSError
            When it cannot be written.
        """
        line_log.append_line(self.folder / PHOTOGRAPH_LOG, photographed.model_dump_json().encode())

    def expect_new_batch(self, root: Root) -> None:
        """Note that the next strip is the first on a new batch of paper, as a person has said.

        Raises
        ------
        OSError
            When it cannot be written.
        """
        marker = _find_marker(root, self.destination)
        durable.make_folders(marker.parent)
        if not durable.is_there(marker):
            durable.write_new(marker, b"")

    def is_new_batch_expected(self, root: Root) -> bool:
        """Whether a person has said that the next strip is the first on a new batch."""
        return durable.is_there(_find_marker(root, self.destination))

    def forget_new_batch(self, root: Root) -> None:
        """Note that the strip on a new batch has come."""
        _find_marker(root, self.destination).unlink(missing_ok=True)

    def keep(self, source: Path, *, new_batch: bool = False, is_photograph: bool = False) -> Path:
        """Move a dropped file to those that are kept, durably, under a name that is free."""
        durable.fsync_file(source)
        folder = self.kept / NEW_BATCH if new_batch else self.kept
        if is_photograph:
            folder = self.kept / PHOTOGRAPHS
        durable.make_folders(folder)
        target = free_name(folder, _safe(source.name))
        durable.move_new(source, target)
        return target

    def refuse(self, source: Path, reason: str) -> Path:
        """Move a file to those that are refused, with the reason in a text beside it."""
        durable.make_folders(self.refused)
        target = free_name(self.refused, _safe(source.name))
        why = target.with_name(target.name + WHY)
        why.unlink(missing_ok=True)  # of a try that a kill broke off
        durable.write_new(why, f"{target.name}: {reason}.\n".encode())
        durable.move_new(source, target)
        return target

    def list_unjudged(self) -> list[Path]:
        """Return kept files that have no verdict, in the order of their names."""
        judged = {each.kept for each in self.read()}
        judged |= {each.kept for each in self.read_photographs()}
        folders = (self.kept, self.kept / NEW_BATCH, self.kept / PHOTOGRAPHS)
        there = [
            path
            for folder in folders
            if folder.is_dir()
            for path in sorted(folder.iterdir())
            if not path.name.startswith(durable.TEMPORARY_PREFIX)
            and path.name not in {NEW_BATCH, PHOTOGRAPHS}
        ]
        return [path for path in there if self.below(path) not in judged]

    def list_refused(self) -> list[tuple[str, str]]:
        """Return names of refused files that are still there, each with its reason."""
        found = []
        if not self.refused.is_dir():
            return []
        for why in sorted(self.refused.glob(f"*{WHY}")):
            name = why.name.removesuffix(WHY)
            if durable.is_there(why.with_name(name)):
                with durable.open_to_read(why) as file:
                    said = file.read(2**16).decode("utf-8", "replace").strip()
                found.append((name, said.removeprefix(f"{name}: ")))
        return found

    def below(self, path: Path) -> str:
        """Return a path below the folder of measurements, with ``/``."""
        return path.relative_to(self.folder).as_posix()


def _find_marker(root: Root, destination: str) -> Path:
    return root.strips / destination / NEW_BATCH


def _safe(name: str) -> str:
    """A name that every file system and a log in UTF-8 can hold, with room for an ending."""
    stem, dot, ending = safe_component(name).rpartition(".")
    return f"{stem[:60]}{dot}{ending[:20]}"


def is_ours(relative: str) -> bool:
    """Whether a path below ``measured/NAME/`` is not something that was dropped.

    Examples
    --------
    >>> [is_ours(each) for each in ("strip.txt", "kept", "kept/strip.txt", "verdicts.jsonl")]
    [False, True, True, True]
    """
    first = relative.partition("/")[0]
    return first in {KEPT, REFUSED} or relative in {LOG, PHOTOGRAPH_LOG}
