"""Copies of held originals, private to the program: ``.hotfolder/kept/JOB/NAME``.

A held job's folder is a person's to work in, and an editor may write into the original itself, so
the kept one is a copy of its own and no second name of the same bytes; so is that of a sidecar
which came with it, beside it. It is made before the job's folder becomes visible and goes when the
job is delivered, or some time after the folder was deleted. It costs the picture's size on the
spool's disk for as long as the job is held.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

from hotfolder.disk import durable, trees
from hotfolder.intake.sidecars import name_sidecar


class KeptOriginals:
    """Keeps one original per job."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def store(self, job: str, source: Path, name: str) -> None:
        """Copy an original, whole and durable, or not at all; fine when it has been done.

        Raises
        ------
        OSError
            When there is no room, or it cannot be written; can be called again.
        """
        if not source.is_file():
            return  # moved on already, which only happens after it was copied
        durable.make_folders(self._folder / job)
        with contextlib.suppress(FileExistsError):
            durable.copy_new(source, self._folder / job / name)

    def store_sidecar(self, job: str, source: Path, name: str) -> None:
        """Copy a sidecar, in the place of what it said before a person has changed it.

        Raises
        ------
        OSError
            As for `store`.
        """
        kept = self._folder / job / name
        if durable.is_there(source) and durable.is_there(kept) and not trees.is_same(source, kept):
            kept.unlink()
        self.store(job, source, name)

    def find(self, job: str) -> Path | None:
        """Where a job's original is kept; None when it is not."""
        with contextlib.suppress(FileNotFoundError):
            for path in sorted((self._folder / job).iterdir()):
                if not path.name.startswith(durable.TEMPORARY_PREFIX):
                    return path  # its sidecar has a longer name
        return None

    def find_sidecar(self, job: str) -> Path | None:
        """Where the sidecar is kept that came with a job's original; None when none is."""
        original = self.find(job)
        sidecar = name_sidecar(original) if original else None
        return sidecar if sidecar and sidecar.is_file() else None

    def jobs(self) -> list[str]:
        """Jobs of which something is kept."""
        if not self._folder.is_dir():
            return []
        return sorted(path.name for path in self._folder.iterdir())

    def forget_if_kept_at(self, job: str, where: Path, sha256: str) -> None:
        """Remove what is kept of a job if its original is at another place, with its bytes."""
        if self.find(job) is None or durable.has_bytes(where, sha256):
            self.forget(job)

    def forget(self, job: str) -> None:
        """Remove what is kept of a job; fine when nothing is."""
        trees.remove_tree(self._folder / job, below=self._folder)
