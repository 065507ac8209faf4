"""What a job's row carries, one model for each state: all that is needed to go on after a kill.

A row's column ``detail`` holds one of these as JSON; the column ``state`` tells which.
"""

from __future__ import annotations

import json
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Final

from pydantic import AliasChoices, BaseModel, ConfigDict, Field

from hotfolder.model.answer import Answer
from hotfolder.model.records import PlacementRecord, Record, Release, Time


class State(StrEnum):
    """Where a job is on its way."""

    CLAIMING = "claiming"
    RELEASING = "releasing"
    CLAIMED = "claimed"
    WORKING = "working"
    PRODUCED = "produced"
    PUBLISHING = "publishing"
    DELIVERED = "delivered"
    HELD = "held"
    REFUSED = "refused"

    @property
    def is_end(self) -> bool:
        """Whether nothing more will happen to the job by itself."""
        return self in {State.DELIVERED, State.HELD, State.REFUSED}


class Detail(BaseModel):
    """What every row can carry: nothing."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Claiming(Detail):
    """The file that is being taken, as it was when it had settled."""

    dev: int
    """Number of its file system."""
    ino: int
    """Its number in the file system."""
    size: int
    """Bytes; of a folder, of all that is in it."""
    mtime_ns: int
    """When it changed last, nanoseconds since 1970; of a folder, the latest of all in it."""
    nlink: int
    """How many names it has."""
    folder: str = ""
    """The hot folder in which it was found, its bytes in hexadecimal."""


class Claimed(Detail):
    """A job that waits for a worker, or has one."""

    release: Release | None = None
    """The decision by which a held job goes through the stages once more."""
    placement: PlacementRecord | None = None
    """The row of a ticket that the job is for."""
    keeping: str | None = None
    """Where a file of a batch is going to stay; set before it is put there."""
    again: bool = False
    """Only in ledgers of earlier versions; what stays at ``keeping`` is told by its bytes."""


class Produced(Detail):
    """A job whose worker has answered, and whose files are on disk."""

    answer: Answer
    release: Release | None = None
    """The decision that led to it, if any."""
    placement: PlacementRecord | None = None
    """The row of a ticket that the job is for."""


class Move(BaseModel):
    """A file, or a folder that was handed in, which changes its place."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    source: str
    target: str
    sha256: str | None
    """None for what is no file."""
    what: str
    """``original``, ``result-1``, ``proof-sheet`` …"""
    copy_only: bool = False
    """The source stays: other jobs have the same original."""
    near: str = ""
    """Where it waits for its final name; "" for what is in a job's folder."""

    @property
    def is_result(self) -> bool:
        """Whether it is a picture that was made, and no page about it."""
        return self.what.startswith("result-")

    @property
    def is_only_original(self) -> bool:
        """Whether this is the one file that came, and nobody else has it."""
        return self.what == "original" and not self.copy_only and self.sha256 is not None


class Publishing(Detail):
    """The plan of a job's end: all that is needed to finish it."""

    state: State
    """How the job will have ended."""
    moves: tuple[Move, ...]
    record: Record
    log: str
    """Where the record will be appended."""
    folder: str | None = None
    """For held and refused jobs: the job's folder; built under a temporary name."""
    place: str = ""
    """The job's own folder in the spool."""
    begun: int = 0
    """Of how many moves, from the first, the rename may have been done."""


class Releasing(Detail):
    """A held job that a person has let go, on its way back into the spool."""

    release: Release
    source: Annotated[Path, Field(alias="from")]
    """What lies in ``release/``: the job's folder, or its original."""

    model_config = ConfigDict(validate_by_name=True, validate_by_alias=True)


class Held(Detail):
    """A held job, and whether a person has given it up."""

    discarding: Annotated[
        Record | None, Field(validation_alias=AliasChoices("discarding", "dropping"))
    ] = None
    """The record that will say so; set before it is appended to the log."""
    discarded: Annotated[
        Time | None, Field(validation_alias=AliasChoices("discarded", "dropped"))
    ] = None
    """When it was noticed; set once the record has been appended."""


class Delivered(Detail):
    """A delivered job, and whether its result is being set aside."""

    superseding: Record | None = None
    """The record that will say so; set before the result is moved."""


DETAILS: Final[dict[State, type[Detail]]] = {
    State.CLAIMING: Claiming,
    State.RELEASING: Releasing,
    State.CLAIMED: Claimed,
    State.WORKING: Claimed,
    State.PRODUCED: Produced,
    State.PUBLISHING: Publishing,
    State.DELIVERED: Delivered,
    State.HELD: Held,
    State.REFUSED: Detail,
}
"""The model of what a row in a state carries."""


def dump_detail(state: State, detail: Detail) -> str:
    """Return a detail as the column has it.

    Raises
    ------
    TypeError
        When a row in this state carries something else.
    """
    if type(detail) is not DETAILS[state]:
        raise TypeError(f"a job that is {state} carries {DETAILS[state].__name__}, not {detail!r}")
    return json.dumps(detail.model_dump(mode="json", by_alias=True))


def load_detail(state: State, text: str) -> Detail:
    """Read what the column has.

    Raises
    ------
    ValueError
        When it is not what a row in this state carries.
    """
    # not pydantic's own reader: a name that is no text has half of a UTF-16 pair in it
    return DETAILS[state].model_validate(json.loads(text))
