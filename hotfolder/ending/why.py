"""``why.txt``: why a job was held or refused, and what a person can do; each of it is true.

What is advised comes from the reasons: a stage that holds a picture says which changes let it pass
(`hotfolder.errors.Remedy`), and here they become commands that can be copied as they stand.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from hotfolder.disk import names
from hotfolder.model.records import SIDECAR, Record, WayOn

_SENTENCE_ENDS: Final = re.compile(r"(?<=[.!?])\s+(?=[A-Z0-9])")
_ADVICE: Final = re.compile(r"\b(?:release it|drop it again)\b")

MADE_WORSE: Final = "made-worse"
"""Code of what is said before the reasons of a job that was released, and is held again."""


def say_why(record: Record, root: Path | None = None) -> str:
    """Say in plain words why a job was held or refused, and what can be done.

    Parameters
    ----------
    record
        Of the job.
    root
        Where it is, for commands; None: they are given in its folder.
    """
    lines = [names.display_name(record.original.name), f"{record.destination}: {record.state}", ""]
    named = names.display_name(record.original.name)
    lines += [
        f"- {leave_out_name(names.display_name(reason.message), named)}"
        for reason in record.reasons
    ]
    if record.warnings:
        lines += ["", "To be looked at as well:"]
        lines += [f"- {names.display_name(each.message)}" for each in record.warnings]
    lines += ["", f"The original is kept: {names.display_name(record.original_kept)}"]
    lines += [
        f"{each.title or each.kind}: {each.path}"
        for each in record.attachments
        if each.kind in {"failure", "other"}
    ]
    for result in record.results:
        which = f", {result.variant}" if result.variant else ""
        lines.append(f"The picture as it would be delivered{which}: {result.path}")
    if record.state == "held":
        lines += ["", "What you can do:", *_say_choices(record, root)]
    else:
        lines.append(
            "What you can do: what is said above. This file stays here until you take it away."
        )
    return "\n".join(lines) + "\n"


def list_ways(record: Record) -> list[WayOn]:
    """Return the changes that answer the reasons of a held job, each once."""
    return list(dict.fromkeys(way for reason in record.reasons for way in reason.ways_on))


def leave_out_advice(message: str) -> str:
    """Return a reason without what could be done about it, for a job of which that is done.

    Examples
    --------
    >>> leave_out_advice("13 % is lost. Limit 5 %: release it as it is, or drop it again.")
    '13 % is lost. Limit 5 %.'
    """
    sentences = []
    for each in _SENTENCE_ENDS.split(message):
        if not _ADVICE.search(each):
            sentences.append(each)
        elif ": " in each:
            sentences.append(f"{each.partition(': ')[0]}.")
    return " ".join(sentences) or message


def leave_out_name(message: str, name: str) -> str:
    """Return a reason that begins with its file's name without it, where that stands before it.

    Examples
    --------
    >>> leave_out_name("mud.tif: The file is empty.", "harbour/mud.tif")
    'The file is empty.'
    """
    return message.removeprefix(f"{name.rpartition('/')[2]}: ")


def can_be_released_as_it_is(record: Record) -> bool:
    """Whether a release without a change comes to anything: a result, or another try."""
    return bool(record.results) or any(not way.options for way in list_ways(record))


def release_command(job: str, root: Path | None, options: Iterable[str] = ()) -> str:
    """Return the command that releases a job, quoted for the shell."""
    return shlex.join(["hotfolder", "release", job, *([str(root)] if root else []), *options])


def _say_choices(record: Record, root: Path | None) -> list[str]:
    """What a person can do about a held job; nothing that would make the print worse."""
    choices = []
    if record.results:
        choices = [
            "- release it as it is: move this folder into the destination's release folder, or run",
            f"    {release_command(record.job, root)}",
        ]
    elif not can_be_released_as_it_is(record):
        choices = ["- it cannot be released as it is: no result was made, for the reason above"]
    ways = list_ways(record)
    for way in ways:
        choices += [f"- {way.says}:", f"    {release_command(record.job, root, way.options)}"]
    if any("--set" in way.options for way in ways):
        choices.append(
            "- if that is right for every picture that comes here, set it in "
            f"destinations/{record.destination}.toml; what is held already still waits for you"
        )
    sidecars = (each.path for each in record.attachments if each.kind == SIDECAR)
    choices += [
        f"- correct its captions: change {names.display_name(Path(each).name)} in this folder, "
        "then release it; the file counts as it is then"
        for each in sidecars
    ]
    choices.append("- change the picture, and drop it into the hot folder again")
    if record.results and not any(way.options for way in ways):
        example = release_command(record.job, root, ["--set", "STAGE.KEY=VALUE"])
        choices += ["- if a setting answers the reason, change it for this picture alone:"]
        choices += [f"    {example}"]
    choices.append("- discard it: delete this folder; the original is still kept for a while")
    return choices
