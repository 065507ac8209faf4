"""What a stage is: one class that a destination's file names.

A stage is written as one class, installed under an entry point of the group ``hotfolder.stages``
or put as a module into ``ROOT/plugins/``. Built-in stages come the same way.
"""

from __future__ import annotations

import re
from abc import ABC
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Final, Generic, TypeAlias, TypeVar

import pluggy

from hotfolder.errors import StageError
from hotfolder.model.destination import Medium, Result, SettingsModel
from hotfolder.model.encoding import Encoding
from hotfolder.model.facts import Facts, Findings, Json
from hotfolder.model.neighbour import Neighbour
from hotfolder.model.records import AttachmentKind, JobWarning, Reason
from hotfolder.model.standing import MediumStanding
from hotfolder.model.wishes import Wish
from hotfolder.raster.picture import Band, RasterSpec
from hotfolder.raster.source import SQUARE_WITHIN
from hotfolder.stages.messages import Message
from hotfolder.stages.roles import Role

if TYPE_CHECKING:
    from hotfolder.colour.profile import Profile

hookspec = pluggy.HookspecMarker("hotfolder")
hookimpl = pluggy.HookimplMarker("hotfolder")

NAMES_OF_OURS: Final = frozenset({"answer.json", "progress.json", "worker.log", "started"})
"""What a worker itself leaves in the job's folder, beside ``result.*``."""

_ATTACHMENT_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,63}")


class StageSettings(SettingsModel):
    """Settings of a stage, the table ``[stage.NAME]`` of a destination's file.

    Notes
    -----
    A pydantic model, frozen; keys that it does not have are refused. A setting's unit is parsed
    by its type: `LengthMm`, `DurationS`, `Share`, `ByteCount`.

    Examples
    --------
    >>> class LabelSettings(StageSettings):
    ...     text: str = ""
    >>> LabelSettings.model_validate({"text": "version 3"}).text
    'version 3'
    """

    only_looks: ClassVar[bool] = False
    """Whether results are the same without the stage: it measures, holds or shows.

    A batch's delivered results are not made anew for a change of such a stage.
    """

    judging: ClassVar[frozenset[str]] = frozenset()
    """Settings that decide whether a job is held or warned of, and never what its result is."""

    profiles: ClassVar[Mapping[str, Encoding]] = {}
    """Settings that name a file in the root's ``profiles/``, and the pictures that it is for."""

    grants: ClassVar[tuple[type[Wish], ...]] = ()
    """What a ticket's row or a release may ask of this stage."""

    def granting(self, wish: Wish) -> Mapping[str, Json]:
        """Turn a wish into values of these settings, for one picture only.

        Parameters
        ----------
        wish
            Of a type that ``grants`` names.

        Returns
        -------
        New values by key, to stand in place of these; None: as if the key were not set.
        """
        return {}

    def looks_only(self) -> bool:
        """Say whether results are the same without the stage, as it is set.

        Returns
        -------
        What `only_looks` says, unless a stage decides by its settings.
        """
        return self.only_looks

    def doubts(self, medium: Medium) -> Mapping[str, str]:
        """Say what is allowed and probably a slip of the pen; shown by ``hotfolder check``.

        Parameters
        ----------
        medium
            What the destination is made for.

        Returns
        -------
        By key, a plain sentence without its end.
        """
        return {}

    def doubts_about(self, profile: Profile) -> Mapping[str, str]:
        """Say which settings a destination's profile does not allow to be kept.

        Shown by ``hotfolder check``, which may take its time: the daemon starts without.

        Parameters
        ----------
        profile
            Of the destination's medium.

        Returns
        -------
        By key, a plain sentence without its end.
        """
        return {}


class Place(StrEnum):
    """Where in a destination's list a stage stands; each place lies behind the one before it.

    Notes
    -----
    A stage that declares no place may stand anywhere before those that stand last.
    """

    ORIGINAL = "the original, before anything is changed"
    """Before size, sharpness or colours are changed."""

    FINISHED = "the finished picture, before it is converted"
    """The picture is given its final size and sharpness here, and looked at."""

    CONVERTED = "the converted picture"
    """The picture is converted to the medium's profile here, and looked at."""

    LAST = "what will be written, after everything that changes it"
    """Nothing about the picture changes behind these."""


@dataclass(frozen=True)
class Original:
    """The file as it was dropped.

    See Also
    --------
    Job.original
    """

    name: str
    """Its name as text, fit for showing."""

    bytes: int
    """Its size."""

    sha256: str
    """Of its bytes, lower-case hex."""

    format: str
    """``"TIFF"``, ``"JPEG"`` or ``"PNG"``."""

    bits: int
    """Per channel."""

    spec: RasterSpec
    """The picture in it, upright, with the profile it carried (or None)."""

    pages: int = 1
    """How many pictures the file holds."""

    notes: tuple[str, ...] = ()
    """What the reader had to decide, as plain sentences."""

    pixel_aspect: float = 1.0
    """Width of a pixel, upright, over its height; 1.0 when the file does not say."""

    cut_share: float = 0.0
    """Share of its floating-point values, 0 … 1, that lay outside their range and were cut."""

    @property
    def has_square_pixels(self) -> bool:
        """Whether its pixels are as wide as they are high, but for what rounding makes of that."""
        return abs(1 - 1 / self.pixel_aspect) <= SQUARE_WITHIN


@dataclass(frozen=True)
class Attached:
    """A file that a stage leaves for people.

    See Also
    --------
    Job.attach
    """

    name: str
    """In the job's folder."""

    title: str
    """What people read on pages, as the words of a link."""

    kind: AttachmentKind
    """How pages use it."""

    stage: str
    """The stage that leaves it."""


@dataclass(frozen=True)
class _Board:
    """What stages of one job have told and attached so far; shared by all of them."""

    told: dict[type[Message], Message] = field(default_factory=dict)
    attached: dict[str, Attached] = field(default_factory=dict)
    warnings: list[JobWarning] = field(default_factory=list)


MessageT = TypeVar("MessageT", bound=Message)


@dataclass(frozen=True)
class Job:
    """What a stage may know about the job it works in.

    Notes
    -----
    Each stage is given its own: what it tells and attaches carries its name.
    """

    id: str
    """The job's name, unique for ever."""

    destination: str
    """Name of the destination."""

    medium: Medium
    """The table ``[medium]`` of the destination's file."""

    result: Result
    """The table ``[result]`` of the destination's file."""

    original: Original
    """The file as it was dropped."""

    profile: Profile
    """The medium's ICC profile."""

    profiles: Path
    """The folder that profile names in settings are relative to."""

    folder: Path
    """An empty folder of this attempt, for scratch files; gone when the job ends."""

    is_trial: bool = False
    """Somebody only asks what would come out; nothing is delivered."""

    standing: MediumStanding | None = None
    """What the medium's control strips say, measured last; None when nobody has looked."""

    stage: type[Stage[StageSettings]] | None = field(default=None, repr=False)
    """The stage that this was given to."""

    all_neighbours: Mapping[str, Sequence[Neighbour]] = field(default_factory=dict, repr=False)
    """Of each stage that shares something; the runner's own."""

    reasons: Sequence[Reason] = field(default=(), repr=False)
    """What the job will be held for, as far as is known by now; complete in `Stage.present`."""

    _board: _Board = field(default_factory=_Board, repr=False, compare=False)

    def given_to(self, stage: type[AnyStage]) -> Job:
        """Return the same job as one stage of it sees it; the runner's own call.

        Parameters
        ----------
        stage
            The stage that will have it.

        Returns
        -------
        A job that shares with this one what was told and attached.
        """
        return replace(self, stage=stage)

    @property
    def neighbours(self) -> Sequence[Neighbour]:
        """What this stage has said of other pictures of the same folder or batch, latest first.

        Only of those that have ended before this attempt began; see `Stage.shares`.
        """
        return self.all_neighbours.get(self.stage.name, ()) if self.stage else ()

    def tell(self, message: Message) -> None:
        """Tell the other stages of this job something; what was told of its type is replaced.

        What others need for their `Stage.open` is told in `Stage.announce`; what turns out while
        the bands flow is known to all in `Stage.close`.

        Parameters
        ----------
        message
            Of a type that the stage declares in ``tells``.

        Raises
        ------
        StageError
            When the stage does not declare the message.
        """
        if self.stage is not None and type(message) not in self.stage.tells:
            said = f"told {type(message).__name__}, which it does not declare in `tells`"
            raise StageError(self.stage.name, said)
        self._board.told[type(message)] = message

    def told(self, message: type[MessageT]) -> MessageT | None:
        """Return what a stage of this job has told.

        Parameters
        ----------
        message
            The type of message.

        Returns
        -------
        The message; None when no stage has told one of this type.
        """
        found = self._board.told.get(message)
        return found if isinstance(found, message) else None

    def end_of_pixels(self) -> None:
        """Forget what was told of pixels that are about to be changed; the runner's own call."""
        for message in [each for each in self._board.told if each.about_pixels]:
            del self._board.told[message]

    def attach(self, name: str, title: str, kind: AttachmentKind = "other") -> Path:
        """Announce a file that people are to have; write it to the path that this returns.

        The file is kept beside the result, listed in the record with its hash, and linked on the
        pages. Write it in `Stage.present`, which is called only for jobs that people look at. A
        file that is announced and not written is left out.

        Parameters
        ----------
        name
            Of the file: letters, digits, blanks, ``.``, ``_`` and ``-``, at most 64.
        title
            The words of the link to it: ``"Ink by channel"``.
        kind
            ``"other"``; or ``"proof-sheet"``, the page that a job's name leads to, or
            ``"thumbnail"``, a JPEG of at most 320 pixels for pages that list jobs.

        Returns
        -------
        Where the file is to be written.

        Raises
        ------
        StageError
            When the name cannot be used, or another stage has it.
        """
        stage = self.stage.name if self.stage else ""
        there = self._board.attached.get(name)
        is_ours = name in NAMES_OF_OURS or name.startswith("result.")
        if not _ATTACHMENT_NAME.fullmatch(name) or is_ours or name.endswith((".", " ")):
            said = f"cannot attach {name!r}: a plain file name, not one of hotfolder's own"
            raise StageError(stage, said)
        if there is not None and there.stage != stage:
            raise StageError(stage, f"cannot attach {name!r}: {there.stage} has that name")
        self._board.attached[name] = Attached(name, title, kind, stage)
        return self.folder / name

    def warn(self, code: str, message: str, *, by: str = "") -> None:
        """Say what people should know of this job, though it is not held for it.

        It stands in the record, on the proof sheet and on every page that lists the job.

        Parameters
        ----------
        code
            Short, stable, lower-case words with hyphens, for records and queries.
        message
            One or two plain sentences for the person who dropped the file.
        by
            Who warns, when it is no stage: the runner's own ``"reading"`` and ``"writing"``.
        """
        stage = by or (self.stage.name if self.stage else "")
        warning = JobWarning(stage=stage, code=code, message=message)
        if warning not in self._board.warnings:
            self._board.warnings.append(warning)

    @property
    def warnings(self) -> tuple[JobWarning, ...]:
        """What stages have warned of so far; all of it in `Stage.present`."""
        return tuple(self._board.warnings)

    @property
    def attachments(self) -> tuple[Attached, ...]:
        """What stages have announced so far, in the order in which they did."""
        return tuple(self._board.attached.values())


SettingsT_co = TypeVar("SettingsT_co", bound=StageSettings, covariant=True)


class Stage(ABC, Generic[SettingsT_co]):
    """One step of the work on a job's pixels or metadata.

    The runner calls, in this order and once each: `announce`, `open`, `review`, `bands`, `close`,
    `present`. Each is called for all stages before the next: `announce` and `open` in the order of
    the destination's file, `open` with the spec that the stage before returned; then `review`; then
    the bands flow, in a thread for each stage; then `close`; then `present`, if people are to look
    at the job. A new object is made for every job.

    A subclass sets ``name``, and ``Settings`` when it has any; the methods it does not need it
    leaves alone: as they stand, a stage lets everything pass and finds nothing.

    Examples
    --------
    >>> class Nothing(Stage[StageSettings]):
    ...     name = "nothing"
    ...     place = Place.FINISHED
    """

    name: ClassVar[str]
    """The name in a destination's file: lower-case words joined by hyphens."""

    made_for: ClassVar[str] = ""
    """Versions of hotfolder, as in ``">=0.1, <0.3"`` (PEP 440); any, when it is empty.

    With another one the stage is refused at the start. A package says the same in what it depends
    on; this is for a module in ``ROOT/plugins/``.
    """

    Settings: ClassVar[type[StageSettings]] = StageSettings
    """The model of the table ``[stage.NAME]``."""

    place: ClassVar[Place | None] = None
    """Where it stands; None: anywhere before the stages that stand last."""

    tells: ClassVar[tuple[type[Message], ...]] = ()
    """Messages that it may tell the other stages of a job."""

    comes_after: ClassVar[tuple[type[Message], ...]] = ()
    """Messages whose tellers must stand before it, if the destination has any of them."""

    shares: ClassVar[str] = ""
    """The key of its findings that other jobs of the same folder or batch are given; "" for none.

    What stands there is an object; ``"gives": true`` in it says that others can use it. A job that
    was being worked on meanwhile is then worked on once more.

    ``"waits_s": 600.0`` in it asks for another that gives, for so many seconds: the job waits, and
    is worked on once more when one ends in its folder or batch, or when the time is over.
    ``"waits_for"`` says in a few words for what.

    ``"served_by"`` names the job whose findings were used where it has none of its own: then a
    later one does not warn that it went without.

    ``"what"`` says what it gives, and ``"after"`` lists jobs that were delivered before and could
    have used it: their pages and stories say so.
    """

    role: ClassVar[Role | None] = None
    """What it does for the program's own commands; None, as for nearly every stage: nothing."""

    def __init__(self, settings: SettingsT_co) -> None:
        self.settings = settings

    def announce(self, job: Job) -> None:
        """Tell the other stages what is to come, before any is opened.

        Parameters
        ----------
        job
            The job; use `Job.tell`.
        """

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Check what comes in and say what will come out.

        Parameters
        ----------
        raster
            The picture as the stage before leaves it.
        job
            The job; keep it if a later method needs it.

        Returns
        -------
        The picture as this stage will leave it.

        Raises
        ------
        Hold, Refuse
            The job ends here; no pixels are computed.
        """
        return raster

    def review(self, result: RasterSpec) -> None:
        """Look at the raster that will be written, now that every stage has been opened.

        Parameters
        ----------
        result
            The picture as the last stage will leave it.

        Raises
        ------
        Hold
            The job will be held; its pixels are computed all the same, so that a person can see
            them and a release need not compute them again.
        Refuse
            The job ends here.
        """

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Turn bands into bands, top to bottom, without gap or overlap.

        Keep the rows you need and no more; make new arrays, never change one you were given.

        Parameters
        ----------
        bands
            The picture that `open` was told of.

        Yields
        ------
        Band
            The picture that `open` promised.
        """
        yield from bands

    def close(self) -> Findings:
        """Say what was measured, after the last band.

        Returns
        -------
        JSON values under keys that carry their unit.

        Raises
        ------
        Hold
            As in `review`; give it the findings, they are recorded all the same.
        """
        return {}

    def present(self) -> None:
        """Write what people are to look at, to paths that `Job.attach` returned.

        Called for held jobs and trials, and for delivered ones where ``keep_sheets`` is "all".
        """

    @classmethod
    def prepare(cls) -> None:
        """Load what every job needs, once, in the process that workers are forked from.

        It then costs neither a worker anything nor a command that runs no job. A stage must work
        without it too: it is not called for modules in ``ROOT/plugins/``.
        """

    @classmethod
    @hookimpl
    def hotfolder_stage(cls) -> type[Stage[SettingsT_co]]:
        """Offer this class to the registry; inherited, so that a class is a whole plugin.

        Returns
        -------
        This class.
        """
        return cls

    @classmethod
    @hookimpl
    def hotfolder_facts(cls, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Say what this stage's findings mean, for audit, report and status.

        Parameters
        ----------
        findings
            What `close` returned, or a verdict carried, as the record holds it; not asked without.
        settings
            The stage's settings in that job, as a record holds them.

        Returns
        -------
        What of it has a name in `Facts`, and columns of the stage's own.
        """
        return Facts()


AnyStage: TypeAlias = Stage[StageSettings]
"""A stage, whatever its settings are."""


class StageHooks:
    """The hooks that the registry calls on every plugin."""

    @hookspec
    def hotfolder_stage(self) -> type[AnyStage]:
        """Return the stage class that this plugin offers."""
        raise NotImplementedError

    @hookspec
    def hotfolder_facts(self, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Say what findings of this plugin's stage mean."""
        raise NotImplementedError
