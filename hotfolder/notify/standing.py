"""How telling people stands, as the process that does it last said: for `status` and the desk."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from pydantic import BaseModel, ConfigDict, ValidationError

from hotfolder.pages.words import local_time
from hotfolder.settings.files import read_notify
from hotfolder.settings.root import Root

SAID_EVERY_S: Final = 60.0
"""How often it is said anew when nothing has changed, in seconds."""

_STALE_AFTER: Final = timedelta(minutes=5)


class WayStanding(BaseModel):
    """How one way stands."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    way: str
    where: str
    """The server, in words."""
    failed: str = ""
    """Why the message that is to be sent could not be; "" when nothing is wrong."""
    failed_since: str = ""
    """When that message was made, UTC."""
    next_try: str = ""
    """UTC."""
    remark: str = ""
    """What the server said of the last message that it took; "" as a rule."""


class Standing(BaseModel):
    """How telling people stands."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    written: str
    """UTC."""
    ways: tuple[WayStanding, ...] = ()
    problem: str = ""
    """Why nobody can be told anything, or why settings are not in use; "" as a rule."""


def place_of(root: Root) -> Path:
    """Where it is written."""
    return root.private / "notify.json"


def write_standing(root: Root, standing: Standing) -> None:
    """Write it; a full disk is no reason to stop telling people."""
    path = place_of(root)
    temporary = path.with_suffix(".new")
    with contextlib.suppress(OSError):
        temporary.write_text(standing.model_dump_json(), "utf-8")
        temporary.replace(path)


def describe_standing(root: Root, *, is_served: bool) -> list[str]:
    """Say what is wrong with telling people, as sentences; none when nothing is.

    is_served: whether a process serves the root; else nobody is told anything, as is said anyway.
    """
    table, problems = read_notify(root.path)
    if not is_served or (table is not None and not table.ways):
        return []
    try:
        found = Standing.model_validate_json(place_of(root).read_bytes())
    except (OSError, ValidationError):
        found = None
    if table is None:
        return [f"settings that changed are not in use: {each}" for each in problems]
    now = datetime.now(UTC)
    if found is None or now - datetime.fromisoformat(found.written) > _STALE_AFTER:
        since = f" since {local_time(found.written)}" if found else ""
        said = (
            f"nobody is told what waits{since}, though [notify] is set: the process that does it "
            "does not run. `hotfolder watch` starts it; the log says why it could not"
        )
        return [said]
    lines = [found.problem] if found.problem else []
    for each in found.ways:
        if each.failed:
            again = f"; the next try is at {local_time(each.next_try)}" if each.next_try else ""
            lines.append(
                f"no message by {each.where} since {local_time(each.failed_since)}: "
                f"{each.failed}{again}"
            )
        elif each.remark:
            lines.append(f"{each.where}: {each.remark}")
    return lines
