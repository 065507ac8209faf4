"""Where files are, as records and rows say it: below the root as relative paths.

A root may be moved as a whole, to a larger disk or back from a backup. So what lies in it is
written down as a path below it, and only what settings have put elsewhere as an absolute one. In
memory a path is always absolute: it changes where a record or a row is read or written.

Earlier versions wrote absolute paths everywhere. Those into a place where the root was before lead
to where it is now.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from hotfolder.model.records import Record, SetAside

Change = Callable[[str], str]
"""From one way to write a path to the other."""


@dataclass(frozen=True)
class Places:
    """Where a root is, and where it was before."""

    root: str
    """Absolute, as text."""
    former: tuple[str, ...] = ()
    """Absolute, as text; the latest first."""

    @classmethod
    def of(cls, root: Path, former: Iterable[str] = ()) -> Places:
        """Return the places of a root; its own path is not a former one."""
        own = str(root.absolute())
        return cls(own, tuple(each for each in dict.fromkeys(former) if each != own))

    def shorten(self, path: str) -> str:
        """Return a path as it is written down.

        Examples
        --------
        >>> Places("/srv/desk").shorten("/srv/desk/out/canvas/a.tif")
        'out/canvas/a.tif'
        >>> Places("/srv/desk").shorten("/mnt/share/a.tif")
        '/mnt/share/a.tif'
        """
        below = _below(path, self.root)
        return path if below is None else below.replace(os.sep, "/")

    def find(self, path: str) -> str:
        """Return where a path that was written down leads now; "" stays.

        Examples
        --------
        >>> places = Places("/srv/desk", ("/home/desk",))
        >>> places.find("out/canvas/a.tif"), places.find("/home/desk/out/canvas/a.tif")
        ('/srv/desk/out/canvas/a.tif', '/srv/desk/out/canvas/a.tif')
        """
        if not path or not self.root:
            return path
        if not os.path.isabs(path):  # noqa: PTH117 - text that may be no UTF-8
            return os.path.join(self.root, path)  # noqa: PTH118
        if self.former and _below(path, self.root) is None:
            for each in self.former:
                below = _below(path, each)
                if below is not None:
                    return os.path.join(self.root, below)  # noqa: PTH118
        return path

    def list_ways(self, path: str) -> list[str]:
        """Return all ways in which a path may have been written down."""
        short = self.shorten(path)
        return [path, short, *(f"{each}/{short}" for each in self.former if short != path)]

    def shorten_record(self, record: Record) -> Record:
        """Return a record as it is written down."""
        return map_paths(record, self.shorten)

    def find_record(self, record: Record) -> Record:
        """Return a record that was written down with the paths as they are now."""
        return map_paths(record, self.find)


AS_WRITTEN: Final = Places("")
"""Changes nothing: for paths that nobody will look at."""


def map_paths(record: Record, change: Change) -> Record:
    """Return a record with each of its paths changed."""
    placement, superseded = record.placement, record.superseded

    def map_files(files: tuple[SetAside, ...]) -> tuple[SetAside, ...]:
        return tuple(
            each.model_copy(update={"was": change(each.was), "path": change(each.path)})
            for each in files
        )

    return record.model_copy(
        update={
            "original_kept": change(record.original_kept),
            "results": tuple(
                each.model_copy(update={"path": change(each.path)}) for each in record.results
            ),
            "attachments": tuple(
                each.model_copy(update={"path": change(each.path)}) for each in record.attachments
            ),
            "superseded": superseded
            and superseded.model_copy(update={"files": map_files(superseded.files)}),
            "displaced": map_files(record.displaced),
            "placement": placement
            and placement.model_copy(update={"kept": change(placement.kept)}),
        }
    )


def _below(path: str, top: str) -> str | None:
    """The part of a path below a folder; None when it does not lie there."""
    prefix = top.rstrip(os.sep) + os.sep
    return path.removeprefix(prefix) if top and path.startswith(prefix) else None
