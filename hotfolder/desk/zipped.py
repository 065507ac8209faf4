"""All results of a batch as one file (ZIP, stored): written as it is read, kept nowhere."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from hotfolder.batch.shelf import read_batches
from hotfolder.disk import durable
from hotfolder.disk.names import result_name
from hotfolder.ledger.details import State
from hotfolder.ledger.reading import open_reader
from hotfolder.settings.root import Root

NOT_THERE: Final = "not-there.txt"
"""In the file: what was delivered, and has been taken away since."""

_PIECE = 2**20
_THEN = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True)
class ZippedResult:
    """A result, and its name in the file."""

    name: str
    path: str


def list_results(root: Root, destination: str, batch: str) -> list[ZippedResult]:
    """Return the results that a batch's ticket asks for and that were delivered.

    Raises
    ------
    StorageError
        When the ledger cannot be read.
    """
    found: dict[str, ZippedResult] = {}
    with open_reader(root.ledger) as ledger:
        state = read_batches(ledger).get((destination, batch))
        for line in state.lines if state else ():
            row = ledger.find_job(line.job) if line.job else None
            if row is None or row.record is None or row.state is not State.DELIVERED:
                continue
            for result in row.record.results:
                path, number, name = Path(result.path), 1, Path(result.path).name
                while name in found and found[name].path != result.path:
                    number += 1
                    name = result_name(path.stem, path.suffix, number)
                found[name] = ZippedResult(name, result.path)
    return list(found.values())


def stream_zip(results: Sequence[ZippedResult]) -> Iterator[bytes]:
    """Write the file in pieces; a result that has gone is named in `NOT_THERE`."""
    sink = _Sink()
    gone = []
    with zipfile.ZipFile(sink, "w", zipfile.ZIP_STORED) as file:
        for each in results:
            info = zipfile.ZipInfo(each.name, _THEN)
            try:
                source = durable.open_to_read(each.path)
            except FileNotFoundError:
                gone.append(each.name)
                continue
            with source, file.open(info, "w", force_zip64=True) as entry:
                while piece := source.read(_PIECE):
                    entry.write(piece)
                    yield sink.take()
        if gone:
            said = "Delivered, and not in the results folder any more:\n" + "\n".join(gone) + "\n"
            file.writestr(zipfile.ZipInfo(NOT_THERE, _THEN), said)
    yield sink.take()


class _Sink:
    """Keeps what is written until it is taken; it cannot be gone back in."""

    def __init__(self) -> None:
        self._pieces: list[bytes] = []

    def write(self, data: bytes, /) -> int:
        self._pieces.append(bytes(data))
        return len(data)

    def flush(self) -> None:
        """Do nothing: what is written is there."""

    def close(self) -> None:
        """Do nothing: nothing is open."""

    def take(self) -> bytes:
        taken = b"".join(self._pieces)
        self._pieces.clear()
        return taken
