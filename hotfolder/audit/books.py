"""The ledger, opened so that it can be read and not written."""

from __future__ import annotations

import gc
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from hotfolder.errors import SettingsError, StorageError
from hotfolder.ledger.reading import open_reader
from hotfolder.settings.root import Root


@contextmanager
def open_books(root: Root) -> Iterator[sqlite3.Connection]:
    """Open a root's ledger for reading; an empty one where nothing was ever taken in.

    As long as it is open, answers are not looked through for rings of references, which they have
    none of: with a hundred thousand of them that takes a third of the time.

    Raises
    ------
    SettingsError
        When there is no root.
    StorageError
        When the ledger cannot be read, or belongs to another version of this program.
    """
    if not root.destinations.is_dir():
        raise SettingsError([root.absence])
    with open_reader(root.ledger) as ledger, _pause_collecting():
        if ledger.is_behind:
            raise StorageError(
                f"the ledger {root.ledger} is from an older hotfolder; start `hotfolder watch` "
                "or `hotfolder sweep` once, which brings it up to date"
            )
        ledger.db.row_factory = sqlite3.Row
        yield ledger.db


@contextmanager
def _pause_collecting() -> Iterator[None]:
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
