"""The record: the JSON document that says everything about one job.

`RECORD_SCHEMA_VERSION` changes when a field changes its name or meaning; new fields do not
change it. Records are strict JSON: no NaN, no infinity, times in UTC, units in the keys.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, JsonValue, PlainSerializer

RECORD_SCHEMA_VERSION: Final = 1


def _as_z(time: datetime) -> str:
    return time.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


Time = Annotated[datetime, PlainSerializer(_as_z, return_type=str, when_used="json")]
"""A moment; in JSON UTC to the millisecond, with a Z."""

Sha256 = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class ProfileRecord(_Model):
    """An ICC profile. assumed: it was not in the file but taken from the settings."""

    description: str
    sha256: Sha256
    assumed: bool = False


class OriginalRecord(_Model):
    """The file as it was dropped. What nobody could read in it is None."""

    name: str
    sha256: Sha256 | None
    bytes: Annotated[int, Field(ge=0)]
    format: str | None = None
    width_px: int | None = None
    height_px: int | None = None
    bits: int | None = None
    colour_space: str | None = None
    profile: ProfileRecord | None = None
    ppi: float | None = None
    pages: int | None = None
    notes: tuple[str, ...] = ()


class ResultProfile(_Model):
    """The profile that the result carries."""

    description: str
    sha256: Sha256


class ResultRecord(_Model):
    """A file that was made.

    path: absolute, as text; for a held job, where it waits. notes: what its format could not hold.
    """

    path: str
    sha256: Sha256
    bytes: Annotated[int, Field(ge=0)]
    format: str
    width_px: int
    height_px: int
    bits: int
    colour_space: str
    ppi: float
    profile: ResultProfile | None
    notes: tuple[str, ...] = ()


AttachmentKind = Literal["proof-sheet", "thumbnail", "failure", "other"]
"""How pages use a file about a job.

A job's name leads to its ``proof-sheet``; a ``thumbnail`` stands beside it; ``failure`` says what
failed, for whoever wrote the stage; ``other`` ones are linked by their titles.
"""


class Attachment(_Model):
    """A file about the job, beside its result."""

    kind: AttachmentKind
    path: str
    sha256: Sha256
    bytes: Annotated[int, Field(ge=0)]
    title: str = ""
    """What people read on pages; records of earlier versions have none."""
    stage: str = ""
    """The stage that left it."""


class Reason(_Model):
    """Why a job was held or refused.

    stage: a stage's name, or ``reading``, ``writing``, ``worker``, ``intake``.
    """

    stage: str
    code: str
    message: str


class StageRecord(_Model):
    """One stage that ran. settings: as the destination's file gave them, defaults filled in."""

    stage: str
    elapsed_s: float
    settings: dict[str, JsonValue]


class Release(_Model):
    """A person's decision to deliver a held job. changes: settings for this job, by stage."""

    who: str
    why: str
    at: Time
    changes: dict[str, dict[str, JsonValue]] = {}


class PlacementRecord(_Model):
    """A row of a ticket that a job was made for.

    row: its number in the ticket; placement: which of the page's places; name: of the result,
    without suffix; file, kept: the picture as the batch knows it, and where its original stays;
    changes: the settings that the row asks for, by stage; fingerprint: of picture, settings and
    name, by which a corrected ticket knows what is done already; earlier: jobs of this place that
    came before and were not delivered.
    """

    batch: str
    ticket: str
    row: int
    page: str
    placement: str
    name: str
    file: str
    kept: str
    sha256: Sha256
    copies: int = 1
    caption: str = ""
    changes: dict[str, dict[str, JsonValue]] = {}
    fingerprint: Sha256
    earlier: tuple[str, ...] = ()


class Dropped(_Model):
    """A held job that a person gave up, by deleting its folder.

    noticed: when the daemon saw that the folder had gone; original_kept_until: when the original,
    which is at ``original_kept``, is removed; None when it is not removed, or none was kept.
    """

    noticed: Time
    original_kept_until: Time | None = None


class WorkRecord(_Model):
    """What a worker says about a job: the part of the record that comes from the pixels."""

    original: OriginalRecord
    results: tuple[ResultRecord, ...] = ()
    attachments: tuple[Attachment, ...] = ()
    reasons: tuple[Reason, ...] = ()
    findings: dict[str, dict[str, JsonValue]] = {}
    stages: tuple[StageRecord, ...] = ()
    versions: dict[str, str] = {}
    elapsed_s: float | None = None
    """From opening the original to closing the result, in the worker."""

    def files(self) -> list[ResultRecord | Attachment]:
        """Every file that was made."""
        return [*self.results, *self.attachments]


class Record(WorkRecord):
    """Everything about one job.

    source: path below the hot folder, as text; original_kept: where the original is now;
    attempts: how many workers were started for it; release: who let a held job go, and why (its
    ``reasons`` stay); earlier_jobs: jobs of the same name that were held or refused before;
    same_original: jobs of this destination that ended before with an original of the same bytes,
    the latest first, at most five; not for a ticket's rows, where that is usual;
    previous_sha256: of the line before this one in ``log.jsonl``, line end included; only there
    and in the ledger; batch, placement: of what ticket, and for which of its rows, if for any;
    dropped: that a person has given up a held job; its state stays ``held``.
    """

    schema_version: Literal[1] = RECORD_SCHEMA_VERSION
    job: str
    destination: str
    state: Literal["delivered", "held", "refused"]
    source: str
    original_kept: str
    attempts: int
    arrived: Time
    finished: Time
    release: Release | None = None
    earlier_jobs: tuple[str, ...] = ()
    same_original: tuple[str, ...] = ()
    previous_sha256: Sha256 | None = None
    batch: str | None = None
    placement: PlacementRecord | None = None
    dropped: Dropped | None = None


def end_of(state: str, record: Mapping[str, Any] | None) -> str:
    """Return a job's state as people are told it: ``dropped`` for a held one that was given up."""
    return "dropped" if state == "held" and (record or {}).get("dropped") else state


_FIRST = ("schema_version", "job", "destination", "state")


def to_json_line(record: Record) -> bytes:
    """One line of strict ASCII JSON, newline included; what it is about comes first."""
    document = record.model_dump(mode="json")
    document = {**{key: document[key] for key in _FIRST}, **document}
    return json.dumps(document, ensure_ascii=True, allow_nan=False).encode("ascii") + b"\n"


def record_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a record."""
    schema = Record.model_json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
