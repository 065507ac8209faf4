"""What stages have said of other pictures of a job's folder or batch, for work on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from hotfolder.ledger.reading import JobRow, LedgerReader
from hotfolder.model.facts import Json
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


def find_shared(
    findings: Mapping[str, Mapping[str, Json]], destination: Destination
) -> dict[str, Mapping[str, Json]]:
    """Return what each stage of this destination shares in a job's findings."""
    found: dict[str, Mapping[str, Json]] = {}
    for name, stage in destination.stages.items():
        shared = findings.get(name, {}).get(stage.shares) if stage.shares else None
        if isinstance(shared, dict):
            found[name] = shared
    return found


def gives_others(
    findings: Mapping[str, Mapping[str, Json]] | None, destination: Destination
) -> bool:
    """Whether others of the folder or batch can use what was found in a job."""
    shared = find_shared(findings or {}, destination)
    return any(each.get("gives") is True for each in shared.values())
