"""What a job's row carries, one model for each state: all that is needed to go on after a kill.

A row's column ``detail`` holds one of these as JSON; the column ``state`` tells which.
"""

from __future__ import annotations

import json
import os
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Final, Self

from pydantic import AliasChoices, BaseModel, ConfigDict, Field

from hotfolder.model.answer import Answer
from hotfolder.model.places import Change, Places, map_paths
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

    @property
    def in_words(self) -> str:
        """As people say it, behind "is"; a state of the ledger is a word of ours."""
        return _IN_WORDS.get(self.value, self.value)


_IN_WORDS: Final = {
    "claiming": "being taken in",
    "releasing": "being picked up again",
    "claimed": "waiting for a free worker",
    "working": "being processed",
    "produced": "about to be delivered",
    "publishing": "being delivered",
}


class Detail(BaseModel):
    """What every row can carry: nothing."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    def map_paths(self, _change: Change) -> Self:
        """Return it with each of its paths changed."""
        return self


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
    sidecar: str = ""
    """The XMP sidecar that goes with it and no other, by its path in the hot folder, likewise."""

    def map_paths(self, change: Change) -> Self:
        """Return it with each of its paths changed."""
        return self.model_copy(update={"folder": map_hexadecimal(self.folder, change)})


class Waits(BaseModel):
    """A job that has been looked at, and waits for another picture of its folder or batch."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    stage: str
    """The stage that waits; see `Stage.shares`."""
    since: Time
    """When it was looked at first."""
    until: Time
    """When it is finished all the same."""
    what: str
    """What it waits for, as words behind "waits for"."""
    seen: tuple[str, ...] = ()
    """Jobs that others can use and that were of no use to it."""
    settings_sha256: str
    """Of the stage's settings; with other ones it is looked at once more."""


class Claimed(Detail):
    """A job that waits for a worker, or has one."""

    release: Release | None = None
    """The decision by which a held job goes through the stages once more."""
    placement: PlacementRecord | None = None
    """The row of a ticket that the job is for."""
    keeping: str | None = None
    """Where a file of a batch is going to stay; set before it is put there."""
    waits: Waits | None = None
    """Why it is not finished yet, though a worker has looked at it."""
    again: bool = False
    """Only in ledgers of earlier versions; what stays at ``keeping`` is told by its bytes."""

    def map_paths(self, change: Change) -> Self:
        """Return it with each of its paths changed."""
        keeping = self.keeping and change(self.keeping)
        placement = _map_placement(self.placement, change)
        return self.model_copy(update={"keeping": keeping, "placement": placement})


class Produced(Detail):
    """A job whose worker has answered, and whose files are on disk."""

    answer: Answer
    release: Release | None = None
    """The decision that led to it, if any."""
    placement: PlacementRecord | None = None
    """The row of a ticket that the job is for."""

    def map_paths(self, change: Change) -> Self:
        """Return it with each of its paths changed; an answer's are names of its own."""
        return self.model_copy(update={"placement": _map_placement(self.placement, change)})


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

    def map_paths(self, change: Change) -> Self:
        """Return it with each of its paths changed."""
        changed = {key: change(getattr(self, key)) for key in ("source", "target", "near")}
        return self.model_copy(update=changed)


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

    def map_paths(self, change: Change) -> Self:
        """Return it with each of its paths changed."""
        return self.model_copy(
            update={
                "moves": tuple(each.map_paths(change) for each in self.moves),
                "record": map_paths(self.record, change),
                "log": change(self.log),
                "folder": self.folder and change(self.folder),
                "place": change(self.place),
            }
        )


class Releasing(Detail):
    """A held job that a person has let go, on its way back into the spool."""

    release: Release
    source: Annotated[Path, Field(alias="from")]
    """What lies in ``release/``: the job's folder, or its original."""

    model_config = ConfigDict(validate_by_name=True, validate_by_alias=True)

    def map_paths(self, change: Change) -> Self:
        """Return it with each of its paths changed."""
        return self.model_copy(update={"source": Path(change(str(self.source)))})


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

    def map_paths(self, change: Change) -> Self:
        """Return it with each of its paths changed."""
        record = self.discarding and map_paths(self.discarding, change)
        return self.model_copy(update={"discarding": record})


class Delivered(Detail):
    """A delivered job, and whether its result is being set aside."""

    superseding: Record | None = None
    """The record that will say so; set before the result is moved."""

    def map_paths(self, change: Change) -> Self:
        """Return it with each of its paths changed."""
        record = self.superseding and map_paths(self.superseding, change)
        return self.model_copy(update={"superseding": record})


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


def dump_detail(state: State, detail: Detail, places: Places) -> str:
    """Return a detail as the column has it, with paths below the root where they are in it.

    Raises
    ------
    TypeError
        When a row in this state carries something else.
    """
    if type(detail) is not DETAILS[state]:
        raise TypeError(f"a job that is {state} carries {DETAILS[state].__name__}, not {detail!r}")
    return json.dumps(detail.map_paths(places.shorten).model_dump(mode="json", by_alias=True))


def load_detail(state: State, text: str, places: Places) -> Detail:
    """Read what the column has, with paths as they are now.

    Raises
    ------
    ValueError
        When it is not what a row in this state carries.
    """
    # not pydantic's own reader: a name that is no text has half of a UTF-16 pair in it
    return DETAILS[state].model_validate(json.loads(text)).map_paths(places.find)


def map_hexadecimal(folder: str, change: Change) -> str:
    """Change a path whose bytes are written in hexadecimal; what is none stays."""
    try:
        path = os.fsdecode(bytes.fromhex(folder))
    except ValueError:
        return folder
    return os.fsencode(change(path)).hex()


def _map_placement(placement: PlacementRecord | None, change: Change) -> PlacementRecord | None:
    return placement and placement.model_copy(update={"kept": change(placement.kept)})
