"""What a stage is: one class that a destination's file names.

A stage is written as one class, installed under an entry point of the group ``hotfolder.stages``
or put as a module into ``ROOT/plugins/``. Built-in stages come the same way.
"""

from __future__ import annotations

from abc import ABC
from collections.abc import Iterable, Iterator, Mapping
from enum import StrEnum
from typing import TYPE_CHECKING, ClassVar, Generic, TypeAlias, TypeVar

import pluggy

from hotfolder.model.destination import Medium, SettingsModel
from hotfolder.model.encoding import Encoding
from hotfolder.model.facts import Facts, Findings, Json
from hotfolder.model.wishes import Wish
from hotfolder.raster.picture import Band, RasterSpec
from hotfolder.stages.job import Job
from hotfolder.stages.messages import Message
from hotfolder.stages.roles import Role

if TYPE_CHECKING:
    from hotfolder.colour.profile import Profile

hookspec = pluggy.HookspecMarker("hotfolder")
hookimpl = pluggy.HookimplMarker("hotfolder")


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
    """Settings that name a file in the root's ``profiles/``, or a profile that needs none (see
    `hotfolder.colour.named_profile`), and the pictures that it is for."""

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

    def variants(self) -> Mapping[str, Mapping[str, Json]]:
        """Say whether one job makes several results, each with other values of these settings.

        The picture goes through all stages once for each of them. They have the same size, are
        published together or not at all, and one record lists them.

        Returns
        -------
        New values by key, by a word or two that name the result and end its file's name; the first
        is the one that pages show. Empty, as for nearly every stage: one result.
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

    SHEET = "the sheet, with what is printed around the picture"
    """Paper, marks and words are put around the converted picture here."""

    LAST = "what will be written, after everything that changes it"
    """Nothing about the picture changes behind these."""


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

    keeps_colours: ClassVar[bool] = False
    """Whether it leaves the picture's colours as they are, and changes nothing but size, sharpness
    or what is around it; not asked of one that only looks. What was told of colours then holds."""

    shares: ClassVar[str] = ""
    """The key of its findings that other jobs of the same folder or batch are given; "" for none.

    What stands there is an object; ``"gives": true`` in it says that others can use it, and
    ``"what"`` what it is. A job that was being worked on meanwhile is then worked on once more, and
    one that was delivered before is named, if it would have been served by it.

    ``"waits_s": 600.0`` in it asks for another that gives, for so many seconds: the job waits, and
    is worked on once more when one ends in its folder or batch, or when the time is over.
    ``"waits_for"`` says in a few words for what.

    ``"served_by"`` names the job whose findings were used where it has none of its own. Such a one
    counts as served, unless it says what would have been better: with ``"alike": text``,
    ``"at": number`` and ``"nearer_than": number``, another that is alike and nearer than that is. A
    picture that went without says up to where one would have been of use to it; where ``"alike"``
    is None, none would.

    ``"after"`` is added by the daemon: the jobs that were delivered before and would have been
    served. Their pages and stories say so.
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
