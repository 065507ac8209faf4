"""What the daemon and a machine say to each other: JSON, checked by a model on both ends.

The daemon asks and a machine answers; a machine sends nothing by itself, so that what comes late
comes to nobody. Every try of an attempt has a token that nobody can guess: an answer belongs to
the question that was asked.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Annotated, Final, Literal, TypeVar

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, JsonValue, ValidationError

from hotfolder.model.neighbour import Neighbour
from hotfolder.model.records import Sha256
from hotfolder.model.standing import MediumStanding

PROTOCOL: Final = 1
"""Raised when a message changes its meaning."""

CHUNK_BYTES: Final = 4 * 2**20
"""Pictures and results are sent in pieces of this size."""

MOST_SAID_BYTES: Final = 12 * 2**20
"""The largest message but for pieces."""

Token = Annotated[str, Field(pattern="^[0-9a-f]{32}$")]
MachineName = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]
_Model = TypeVar("_Model", bound=BaseModel)


class NotUnderstood(ValueError):
    """A message that is none of ours."""


class _Message(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Doing(_Message):
    """A try that a machine works on."""

    job: Annotated[str, Field(max_length=200)]
    doing: Annotated[str, Field(max_length=200)]
    share: Annotated[float, Field(ge=0, le=1)]


class Hello(_Message):
    """What a machine says of itself."""

    protocol: int
    name: MachineName
    version: Annotated[str, Field(max_length=64)]
    build: Sha256
    """Of all that touches pixels; see `hotfolder.work.machines.build`."""
    stages: dict[str, Sha256]
    """The source of each stage that is installed there, as a hash."""
    slots: Annotated[int, Field(ge=1, le=1024)]
    """How many tries it works on at once."""
    taken: Annotated[int, Field(ge=0, le=1024)]
    doing: Annotated[tuple[Doing, ...], Field(max_length=1024)] = ()


class Content(_Message):
    """A file that a try needs, by what is in it."""

    name: Annotated[str, Field(max_length=1000)]
    """Of a profile: its path below the profiles' folder. Of the original: its path here, where a
    shared folder may have it."""
    sha256: Sha256
    bytes: Annotated[int, Field(ge=0)]


class NeighbourSaid(_Message):
    """`hotfolder.model.neighbour.Neighbour`, as JSON has it."""

    job: str
    name: str
    delivered: bool
    said: dict[str, JsonValue]

    def to_neighbour(self) -> Neighbour:
        """Return it as stages know it."""
        return Neighbour(self.job, self.name, self.delivered, self.said)


class TryOrder(_Message):
    """What a machine is asked to do."""

    token: Token
    job: Annotated[str, Field(max_length=200)]
    name: str
    """Of the original, as text."""
    original: Content
    profiles: Annotated[tuple[Content, ...], Field(max_length=1000)]
    destination: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$")]
    settings: dict[str, JsonValue]
    """The destination's file, as TOML gave it."""
    time_s: Annotated[float, Field(gt=0)]
    memory_bytes: Annotated[int, Field(gt=0)]
    begun: AwareDatetime
    """When the attempt began, by the daemon's clock and zone."""
    lease_s: Annotated[float, Field(gt=0)]
    """A machine that is asked nothing about a try for so long gives it up."""
    neighbours: dict[str, tuple[NeighbourSaid, ...]] = {}
    standing: MediumStanding | None = None
    root: Annotated[str, Field(max_length=4096)] = ""
    """Where the root is on the daemon's machine: text for pages, never a place to look."""


class Begun(_Message):
    """What a machine says to an order, or to a piece of what it wants."""

    state: Literal["begun", "busy", "wrong"]
    wants: Annotated[tuple[Sha256, ...], Field(max_length=1001)] = ()
    """What it does not have yet; with nothing left it works."""
    why: Annotated[str, Field(max_length=1000)] = ""


class Piece(_Message):
    """What stands before a piece of a file."""

    token: Token
    sha256: Sha256
    """Of the whole file."""
    offset: Annotated[int, Field(ge=0)]


class Question(_Message):
    """How a try goes, or that it is over."""

    token: Token
    wait_s: Annotated[float, Field(ge=0, le=30)] = 0.0
    """How long the machine may wait for the end before it answers."""


class Fetch(_Message):
    """A piece of what was made."""

    token: Token
    path: Annotated[str, Field(max_length=255)]
    offset: Annotated[int, Field(ge=0)]


class Told(_Message):
    """How a try goes."""

    state: Literal["waiting", "working", "ended", "unknown"]
    doing: Annotated[str, Field(max_length=200)] = ""
    share: Annotated[float, Field(ge=0, le=1)] = 0.0
    answer: str = ""
    """The worker's answer, as it left it; only when the try has ended."""


def encode(message: BaseModel) -> bytes:
    """Return a message as JSON."""
    return message.model_dump_json().encode()


def decode(model: type[_Model], said: object) -> _Model:
    """Read a message.

    Raises
    ------
    NotUnderstood
        When it is too long, no JSON, or another message than `model`.
    """
    if not isinstance(said, bytes | bytearray | memoryview):
        raise NotUnderstood(f"{type(said).__name__} where bytes should be")
    if len(said) > MOST_SAID_BYTES:
        raise NotUnderstood(f"a message of {len(said)} bytes")
    try:
        return model.model_validate_json(bytes(said))
    except (ValidationError, RecursionError) as error:
        raise NotUnderstood(f"a message that makes no sense: {_shorten(error)}") from error


def as_json(values: Mapping[str, object]) -> dict[str, JsonValue] | None:
    """Return settings as JSON values; None when they hold what JSON cannot say."""
    try:
        found: dict[str, JsonValue] = json.loads(json.dumps(values, allow_nan=False))
    except (TypeError, ValueError, RecursionError):
        return None
    return found


def _shorten(error: Exception) -> str:
    if isinstance(error, ValidationError):
        first = error.errors(include_url=False, include_input=False)[0]
        return f"{'.'.join(map(str, first['loc']))}: {first['msg']}"[:300]
    return type(error).__name__
