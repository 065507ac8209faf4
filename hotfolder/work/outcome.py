"""How the work on an original ended, and how the ends of several results of one job are one end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal, TypeVar

from hotfolder.errors import HotfolderError
from hotfolder.model.records import (
    SHEET,
    Attachment,
    JobWarning,
    Reason,
    ResultRecord,
    VariantRecord,
    WorkRecord,
)

_Said = TypeVar("_Said", Reason, JobWarning)
_ORDER: Final = ("deliver", "hold", "refuse")


@dataclass(frozen=True)
class Outcome:
    """How the work ended, and what there is to say of it."""

    verdict: Literal["deliver", "hold", "refuse"]
    work: WorkRecord
    not_kept: str = ""
    """Why nothing could be kept in `Order.points`; that is no fault of this job."""


def name_folder(folder: Path, number: int) -> Path:
    """Where a result, from 0, is made in a job's folder."""
    return folder / f"variant-{number + 1}"


def join_outcomes(outcomes: Sequence[tuple[str, Outcome]], folder: Path) -> Outcome:
    """Make one end of the work on several results of one picture, each made in a folder of its own.

    The job is held when any of them is, and has results only when all were made: they are published
    together or not at all. What is said of each alone is said with its name. Files come into the
    job's folder; the first result has the job's page, and those of the others stand beside it.

    Parameters
    ----------
    outcomes
        By what each is called.
    folder
        The job's.

    Raises
    ------
    HotfolderError
        When the results have not the same size.
    """
    verdict = max((each.verdict for _, each in outcomes), key=_ORDER.index)
    is_whole = all(each.work.results for _, each in outcomes)
    results: list[ResultRecord] = []
    attachments: list[Attachment] = []
    for number, (name, outcome) in enumerate(outcomes):
        made = name_folder(folder, number)
        word = name.replace(" ", "-")
        for result in outcome.work.results if is_whole else ():
            path = _bring(made / result.path, folder / f"{word}-{result.path}")
            results.append(result.model_copy(update={"path": path, "variant": name}))
        for each in outcome.work.attachments:
            if number and each.kind == "thumbnail":
                continue
            path = _bring(
                made / each.path, folder / (f"{word}-{each.path}" if number else each.path)
            )
            other = {"kind": "other", "title": f"{each.title or each.kind}: {name}"}
            changed = {"path": path, **(other if number and each.kind == SHEET else {})}
            attachments.append(each.model_copy(update=changed))
    if len({(each.width_px, each.height_px) for each in results}) > 1:
        raise HotfolderError("the results of one picture came out in different sizes")
    first = outcomes[0][1]
    work = first.work.model_copy(
        update={
            "results": tuple(results),
            "attachments": tuple(attachments),
            "reasons": _join([(name, each.work.reasons) for name, each in outcomes]),
            "warnings": _join([(name, each.work.warnings) for name, each in outcomes]),
            "variants": tuple(_describe(name, each.work) for name, each in outcomes[1:]),
            "elapsed_s": round(sum(each.work.elapsed_s or 0 for _, each in outcomes), 4),
        }
    )
    return replace(first, verdict=verdict, work=work)


def _bring(made: Path, to: Path) -> str:
    made.rename(to)
    return to.name


def _join(said: Sequence[tuple[str, Sequence[_Said]]]) -> tuple[_Said, ...]:
    """Join what is said of several results; what is not said of all has the names of its own."""
    of: dict[str, list[str]] = {}
    first: dict[str, _Said] = {}
    for name, each in ((name, each) for name, sentences in said for each in sentences):
        of.setdefault(each.message, []).append(name)
        first.setdefault(each.message, each)
    return tuple(
        each
        if len(of[message]) == len(said)
        else each.model_copy(
            update={"message": f"{', '.join(of[message]).capitalize()}: {message}"}
        )
        for message, each in first.items()
    )


def _describe(name: str, work: WorkRecord) -> VariantRecord:
    return VariantRecord(
        variant=name,
        findings=work.findings,
        facts=work.facts,
        facts_left_out=work.facts_left_out,
        stages=work.stages,
    )
