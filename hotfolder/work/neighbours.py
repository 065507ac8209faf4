"""What stages have said of other pictures of a job's folder or batch, for work on it."""

from __future__ import annotations

from collections.abc import Sequence

from hotfolder.ledger.reading import JobRow, LedgerReader
from hotfolder.model.neighbour import Neighbour
from hotfolder.settings.files import Destination


def find_neighbours(
    ledger: LedgerReader, row: JobRow, destination: Destination
) -> dict[str, Sequence[Neighbour]]:
    """Find what stages of this destination have shared of other pictures of the folder or batch."""
    return {
        name: ledger.neighbours_of(row, name, stage.shares)
        for name, stage in destination.stages.items()
        if stage.shares
    }
