"""Other pictures of a job's folder or batch that ended while it was being worked on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from hotfolder.ledger.reading import JobRow, LedgerReader
from hotfolder.model.answer import Answer
from hotfolder.model.neighbour import Neighbour
from hotfolder.model.records import JobWarning
from hotfolder.settings.files import Destination
from hotfolder.work.neighbours import find_neighbours, find_shared


def has_missed(
    ledger: LedgerReader,
    row: JobRow,
    destination: Destination,
    known: Mapping[str, Sequence[Neighbour]],
    answer: Answer,
) -> bool:
    """Whether a picture that others can use ended while this one was being worked on.

    Then it is worked on once more, so that it does not matter which of the two was begun first.
    One that gives something itself has no need of another.
    """
    if answer.work is None:
        return False
    shared = find_shared(answer.work.findings, destination)
    for name, now in find_neighbours(ledger, row, destination).items():
        before = {each.job for each in known[name]}
        is_new = any(each.gives and each.job not in before for each in now)
        if name in shared and shared[name].get("gives") is not True and is_new:
            return True
    return False


def name_passed_by(
    ledger: LedgerReader,
    row: JobRow,
    destination: Destination,
    known: Mapping[str, Sequence[Neighbour]],
    answer: Answer,
) -> Answer:
    """Warn of pictures that were delivered while one that others can use was worked on."""
    if answer.work is None:
        return answer
    warnings = list(answer.work.warnings)
    for name, now in find_neighbours(ledger, row, destination).items():
        own = find_shared(answer.work.findings, destination).get(name, {})
        before = {each.job for each in known[name]}
        passed = [each.name for each in now if each.went_without and each.job not in before]
        if own.get("gives") is True and passed:
            more = f" and {len(passed) - 5} more" if len(passed) > 5 else ""
            message = (
                f"While it was being worked on, {', '.join(passed[:5])}{more} of the same "
                "folder was delivered without what it brings. If that is of the same shoot, "
                "drop it again."
            )
            warnings.append(JobWarning(stage=name, code="passed-by", message=message))
    work = answer.work.model_copy(update={"warnings": tuple(warnings)})
    return answer.model_copy(update={"work": work})
