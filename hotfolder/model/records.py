"""The record: the JSON document that says everything about one job.

`RECORD_SCHEMA_VERSION` changes when a field changes its name or meaning; new fields do not
change it. Records are strict JSON: no NaN, no infinity, times in UTC, units in the keys.

Version 3 writes a path in the root as one below it (`hotfolder.model.places`); before, all were
absolute. Version 2 calls a held job that a person gave up ``discarded``; version 1 called it
``dropped``. Both are read as well.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Annotated, Any, Final, Literal

from pydantic import (
    AliasChoices,
    BaseModel,
    ConfigDict,
    Field,
    JsonValue,
    PlainSerializer,
    ValidationError,
)

from hotfolder.model.ends import End
from hotfolder.model.facts import Facts

RECORD_SCHEMA_VERSION: Final = 3

Changes = dict[str, dict[str, JsonValue]]
"""Settings that a person or a ticket asks for: new values by stage, then by key."""


def format_time(time: datetime) -> str:
    """Return a moment as records have it: UTC to the millisecond, with a Z."""
    return time.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


Time = Annotated[datetime, PlainSerializer(format_time, return_type=str, when_used="json")]
"""A moment; in JSON as `format_time` has it."""

_SAME_WITHIN: Final = 1.02
"""Factor by which the same fault measures differently after another resampling. Our own choice."""

Sha256 = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class ProfileRecord(_Model):
    """An ICC profile."""

    description: str
    sha256: Sha256
    assumed: bool = False
    """It was not in the file but taken from the settings."""


class OriginalRecord(_Model):
    """The file as it came. What nobody could read in it is None."""

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
    """A file that was made."""

    path: str
    """As text, below the root where it lies there; for a held job, where it waits."""
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
    """What its format could not hold."""
    variant: str = ""
    """Which of several results of one job it is, in a word or two; "" when it is the only one."""


AttachmentKind = Literal["proof-sheet", "thumbnail", "failure", "other", "sidecar"]
"""How pages use a file about a job.

A job's name leads to its ``proof-sheet``; a ``thumbnail`` stands beside it; ``failure`` says what
failed, for whoever wrote the stage; ``other`` ones are linked by their titles.
"""

SHEET: Final = "proof-sheet"
"""The kind of the page about a job; its file in a held job's folder is called so too."""
SIDECAR: Final = "sidecar"
"""The kind of the XMP sidecar that came with the original, and is kept beside it."""


class Attachment(_Model):
    """A file about the job, beside its result."""

    kind: AttachmentKind
    path: str
    """Below the root where it lies there."""
    sha256: Sha256
    bytes: Annotated[int, Field(ge=0)]
    title: str = ""
    """What people read on pages; records of earlier versions have none."""
    stage: str = ""
    """The stage that left it."""


class WayOn(_Model):
    """A change by which a held job is delivered."""

    says: str
    """What it does, as the end of a sentence."""
    options: tuple[str, ...] = ()
    """As words for the command ``release``; none when it is enough to try again."""


class Reason(_Model):
    """Why a job was held or refused."""

    stage: str
    """A stage's name, or ``reading``, ``writing``, ``worker``, ``intake``."""
    code: str
    message: str
    excess: Annotated[float, Field(ge=0)] | None = None
    """How far beyond its limit, as a factor; None when it has no degree, or is not recorded."""
    ways_on: tuple[WayOn, ...] = ()
    """Changes that answer the reason, the best first."""

    def is_worse_than(self, before: Reason) -> bool:
        """Whether a person who accepted `before` has not accepted this.

        What resampling and rounding alone change of a measure does not count.
        """
        if (self.stage, self.code) != (before.stage, before.code):
            return True
        if self.excess is None or before.excess is None:
            return self.excess is not before.excess
        return self.excess > before.excess * _SAME_WITHIN


class JobWarning(_Model):
    """What people should know of a job that it was not held for."""

    stage: str
    """A stage's name, or ``reading``, ``writing``."""
    code: str
    """Short and stable, lower-case words with hyphens."""
    message: str
    """One or two plain sentences."""


class StageRecord(_Model):
    """One stage that ran."""

    stage: str
    elapsed_s: float
    settings: dict[str, JsonValue]
    """As the destination's file gave them, defaults filled in."""


class VariantRecord(_Model):
    """What is known of a further result, as the record's own fields say it of the first."""

    variant: str
    """As its result calls it."""
    findings: dict[str, dict[str, JsonValue]] = {}
    facts: Facts | None = None
    facts_left_out: dict[str, str] = {}
    stages: tuple[StageRecord, ...] = ()


class Release(_Model):
    """A person's decision to deliver a held job."""

    who: str
    why: str
    at: Time
    changes: Changes = {}
    """Settings for this job only."""
    accept: bool = False
    """Whether what the changes make worse is accepted as well."""
    accepted: tuple[Reason, ...] = ()
    """What the change would be held for, as the person was shown it and said yes to it."""
    waived: tuple[Reason, ...] | None = None
    """What the person was told and accepts; None in records of earlier versions: everything."""


class PlacementRecord(_Model):
    """A row of a ticket that a job was made for."""

    batch: str
    ticket: str
    row: int
    """Its number in the ticket."""
    page: str
    placement: str
    """Which of the page's places."""
    name: str
    """Of the result, without suffix."""
    file: str
    """The picture as the batch knows it."""
    kept: str
    """Where the picture's original stays; below the root where it lies there."""
    sha256: Sha256
    copies: int = 1
    caption: str = ""
    width_mm: float | None = None
    """As the row asks for it; None when it does not, or the record is of an earlier version."""
    height_mm: float | None = None
    """As the row asks for it; None when it does not, or the record is of an earlier version."""
    changes: Changes = {}
    """The settings that the row asks for."""
    fingerprint: Sha256
    """Of picture, settings and name, by which a corrected ticket knows what is done already."""
    earlier: tuple[str, ...] = ()
    """Jobs of this place that came before and were not delivered."""


class Discarded(_Model):
    """A held job that a person gave up: by deleting its folder, or by a word."""

    noticed: Time
    """When the daemon saw that the folder had gone, or was told."""
    original_kept_until: Time | None = None
    """When the original, which is at ``original_kept``, is removed.

    None when it is not removed, or none was kept.
    """
    who: str = ""
    """Who said so; "" when the folder was deleted."""
    why: str = ""


class SetAside(_Model):
    """A file that made way for what a ticket asks for under its name."""

    was: str
    """Path that it had."""
    path: str
    """Where it is now; "" when nothing was there any more: somebody has collected it."""
    sha256: Sha256 | None = None
    """Of what was set aside; another one than the result's where a person had edited it."""


class Superseded(_Model):
    """That a ticket no longer asks for a delivered result, which was set aside."""

    at: Time
    ticket: str
    """The one that no longer asks for it."""
    files: tuple[SetAside, ...]


class WorkRecord(_Model):
    """What a worker says about a job: the part of the record that comes from the pixels."""

    original: OriginalRecord
    results: tuple[ResultRecord, ...] = ()
    attachments: tuple[Attachment, ...] = ()
    reasons: tuple[Reason, ...] = ()
    warnings: tuple[JobWarning, ...] = ()
    """What people should know that it was not held for: the one list that every page shows."""
    findings: dict[str, dict[str, JsonValue]] = {}
    """What each stage has measured."""
    facts: Facts | None = None
    """What that means, as the stages say; None in records of earlier versions.

    `hotfolder.model.earlier_findings.find_facts` knows it of those too.
    """
    facts_left_out: dict[str, str] = {}
    """Why a stage's facts are missing, as a sentence, by its name: it failed at them."""
    stages: tuple[StageRecord, ...] = ()
    versions: dict[str, str] = {}
    elapsed_s: float | None = None
    """From opening the original to closing the result, in the worker."""
    variants: tuple[VariantRecord, ...] = ()
    """Of each result after the first, in their order; ``findings`` and ``stages`` are those of the
    first."""
    machine: str | None = None
    """Which machine made it, as the daemon knows it; None where there is one machine."""

    def files(self) -> list[ResultRecord | Attachment]:
        """Every file that was made."""
        return [*self.results, *self.attachments]


def fields_of(work: WorkRecord) -> dict[str, Any]:
    """Return what a record has of the work, by field, so that none is forgotten on the way."""
    return {name: getattr(work, name) for name in WorkRecord.model_fields}


class Record(WorkRecord):
    """Everything about one job."""

    schema_version: Literal[1, 2, 3] = RECORD_SCHEMA_VERSION
    job: str
    destination: str
    state: Literal["delivered", "held", "refused"]
    """``held`` also for a job that a person has given up; see `end`."""
    source: str
    """Path below the hot folder, as text."""
    original_kept: str
    """Where the original is now; below the root where it lies there."""
    attempts: int
    """How many workers were started for it."""
    arrived: Time
    finished: Time
    release: Release | None = None
    """Who let a held job go, and why; its ``reasons`` stay."""
    earlier_jobs: tuple[str, ...] = ()
    """Jobs of the same name that were held or refused before."""
    same_original: tuple[str, ...] = ()
    """Jobs of this destination that ended before with an original of the same bytes.

    The latest first, at most five; not for a ticket's rows, where that is usual.
    """
    previous_sha256: Sha256 | None = None
    """Of the line before this one in ``log.jsonl``, line end included.

    Only there and in the ledger.
    """
    batch: str | None = None
    """Of what ticket, if of any."""
    placement: PlacementRecord | None = None
    """For which of the ticket's rows."""
    discarded: Annotated[
        Discarded | None, Field(validation_alias=AliasChoices("discarded", "dropped"))
    ] = None
    """That a person has given up a held job; version 1 called it ``dropped``."""
    superseded: Superseded | None = None
    """That a ticket no longer asks for the result. ``results`` say where it is now."""
    displaced: tuple[SetAside, ...] = ()
    """Files of somebody else's that stood under the result's name, and were set aside."""

    @property
    def end(self) -> End:
        """How the job ended, as people are told it."""
        return _find_end(self.state, self.discarded)


def _find_end(state: str, discarded: Discarded | None) -> End:
    return End.DISCARDED if state == "held" and discarded is not None else End(state)


_FIRST = ("schema_version", "job", "destination", "state")


def to_json(record: Record) -> dict[str, JsonValue]:
    """Return a record as JSON values; what it is about comes first."""
    document = record.model_dump(mode="json")
    return {**{key: document[key] for key in _FIRST}, **document}


def to_json_line(record: Record) -> bytes:
    """Return one line of strict ASCII JSON, newline included."""
    text = json.dumps(to_json(record), ensure_ascii=True, allow_nan=False)
    return text.encode("ascii") + b"\n"


def read_record(text: str | bytes) -> Record:
    """Read a record from its JSON, of any version.

    Raises
    ------
    ValueError
        When it is none.
    """
    try:
        return Record.model_validate_json(text)
    except ValidationError:
        # a path that is no text has half of a UTF-16 pair in it, which pydantic does not read
        return Record.model_validate(json.loads(text))


class _Part(BaseModel):
    """A part of what `LogLine` reads."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class _LineOriginal(_Part):
    name: str
    sha256: Sha256 | None = None


class _LineProfile(_Part):
    description: str
    sha256: Sha256


class _LineResult(_Part):
    sha256: Sha256
    width_px: int
    height_px: int
    ppi: float
    profile: _LineProfile | None = None


class _LineStage(_Part):
    stage: str
    elapsed_s: float
    settings: dict[str, JsonValue] = {}


class _LineReason(_Part):
    code: str


class _LineRelease(_Part):
    waived: tuple[_LineReason, ...] | None = None


class _LinePlacement(_Part):
    copies: int = 1


class LogLine(_Part):
    """What the ledger's table has of a record, read without the rest: a check of logs reads many.

    Its fields are those of `Record`; what it has no field for may be anything.
    """

    job: str
    destination: str
    state: Literal["delivered", "held", "refused"]
    finished: Time
    original: _LineOriginal
    results: tuple[_LineResult, ...] = ()
    findings: dict[str, dict[str, JsonValue]] = {}
    facts: Facts | None = None
    stages: tuple[_LineStage, ...] = ()
    reasons: tuple[_LineReason, ...] = ()
    release: _LineRelease | None = None
    machine: str | None = None
    batch: str | None = None
    placement: _LinePlacement | None = None
    discarded: Annotated[
        Discarded | None, Field(validation_alias=AliasChoices("discarded", "dropped"))
    ] = None
    previous_sha256: Sha256 | None = None

    @property
    def end(self) -> End:
        """How the job ended, as people are told it."""
        return _find_end(self.state, self.discarded)


def read_line(line: bytes) -> LogLine:
    """Read what the ledger's table has of a record from its line in a log, of any version.

    Raises
    ------
    ValueError
        When it is no record.
    """
    try:
        return LogLine.model_validate_json(line)
    except ValidationError:
        return LogLine.model_validate(json.loads(line))  # as in `read_record`


def make_record_schema() -> dict[str, JsonValue]:
    """Return the JSON Schema (draft 2020-12) of a record."""
    schema = Record.model_json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
