"""What `status` and the desk say in the same words of destinations and batches."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from hotfolder.batch.summary import describe_batch, say_not_understood
from hotfolder.model.machines import MachineStatus
from hotfolder.pages.words import local_time
from hotfolder.settings.root import Root

if TYPE_CHECKING:
    from hotfolder.overview.status import DestinationStatus, Status


def describe_batches(said: Status) -> tuple[list[str], list[str]]:
    """Batches in which something is not understood, and the others."""
    root = Root(Path(said["root"]))
    yours: list[str] = []
    others: list[str] = []
    for batch in said["batches"]:
        if batch["discarded_at"] and not batch["held"] and not batch["waiting"]:
            continue  # a person has given it up
        destination = said["destinations"].get(batch["destination"])
        rests_until = destination["rests_until"] if destination else ""
        line = f"{batch['destination']}: {describe_batch(batch, rests_until, root)}"
        (yours if say_not_understood(batch, root) else others).append(line)
    return yours, others


def describe_problems(each: DestinationStatus) -> list[str]:
    """What keeps a destination from its work, or lies in its folders and is not understood."""
    lines = list(each["remarks"])
    if each["unreachable"]:
        since = (
            f" since {local_time(each['unreachable_since'])}" if each["unreachable_since"] else ""
        )
        said = each["unreachable"]
        # what a folder that does not answer is told by says itself since when
        lines.append(f"waits for a folder{'' if since.strip() in said else since}: {said}")
    if each["settings_problem"]:
        meanwhile = (
            "it is served with the old ones" if each["watch"] else "it is not served until then"
        )
        lines += [
            f"its settings have to be corrected ({meanwhile}): {problem}"
            for problem in each["settings_problem"].splitlines()
        ]
    return lines


def describe_machines(said: Status) -> list[str]:
    """Each machine that pictures are worked on: what it does, how fast it is, what is wrong."""
    lines = []
    for raw in said["machines"]:
        each = MachineStatus.model_validate(raw)
        parts = [f"{len(each.doing)} of {each.slots} at work"]
        parts.append(f"{each.done} {'job' if each.done == 1 else 'jobs'} done")
        if each.megapixels_per_minute is not None:
            parts.append(f"{each.megapixels_per_minute:.3g} megapixels a minute")
        place = f" ({each.address})" if each.address else ", this machine"
        line = f"{each.name}{place}: {', '.join(parts)}"
        if each.problem:
            since = f" (since {local_time(each.since)})" if each.since else ""
            line += f"; {each.problem}{since}"
        if each.remark:
            line += f"; {each.remark}"
        lines.append(line)
    return lines
