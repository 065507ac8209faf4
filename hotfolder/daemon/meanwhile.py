"""What other pictures of a job's folder or batch bring it, and what it would have brought them."""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence

from hotfolder.ledger.reading import JobRow, LedgerReader
from hotfolder.model.answer import Answer
from hotfolder.model.neighbour import Neighbour
from hotfolder.model.records import JobWarning
from hotfolder.settings.files import Destination
from hotfolder.work.neighbours import find_neighbours, find_shared

_MOST_NAMED = 5


def looks_for_others(answer: Answer, destination: Destination) -> bool:
    """Whether a picture has nothing of its own of what others can bring it."""
    shared = find_shared(answer.work.findings if answer.work else {}, destination)
    return any(each.get("gives") is not True for each in shared.values())


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
    ledger: LedgerReader, row: JobRow, destination: Destination, answer: Answer
) -> Answer:
    """Warn of pictures that were delivered without what a job brings, or with a poorer one.

    The job says so of them as well, so that their pages and stories do: `Stage.shares`.
    """
    if answer.work is None:
        return answer
    findings = copy.deepcopy(answer.work.findings)
    warnings = list(answer.work.warnings)
    for name, own in find_shared(answer.work.findings, destination).items():
        if own.get("gives") is not True:
            continue
        others = find_neighbours(ledger, row, destination)[name]
        passed = [each for each in others if each.misses(own)]
        if not passed:
            continue
        what = str(own.get("what") or "what others can use")
        message = _say_passed(what, passed)
        warnings.append(JobWarning(stage=name, code="came-after", message=message))
        shared = findings[name][destination.stages[name].shares]
        assert isinstance(shared, dict)  # `find_shared` has found it
        shared["after"] = [each.job for each in passed]
    work = answer.work.model_copy(update={"warnings": tuple(warnings), "findings": findings})
    return answer.model_copy(update={"work": work})


def _say_passed(what: str, passed: Sequence[Neighbour]) -> str:
    without = [each.name for each in passed if each.went_without]
    poorer = [each.name for each in passed if not each.went_without]
    said = f"It has {what} that came after other pictures of the same folder."
    if without:
        said += f" Delivered without it: {_list(without)}."
    if poorer:
        said += f" Delivered with one that suits less well: {_list(poorer)}."
    return f"{said} Drop them again if they are to have it."


def _list(names: Sequence[str]) -> str:
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return f"{', '.join(names[:_MOST_NAMED])}{more}"
