"""What a stage is: one class that a destination's file names.

A stage is written as one class, installed under an entry point of the group ``hotfolder.stages``
or put as a module into ``ROOT/plugins/``. Built-in stages come the same way.
"""

from __future__ import annotations

from abc import ABC
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Generic, TypeVar

import pluggy

from hotfolder.model.destination import Medium, Result, SettingsModel
from hotfolder.raster.picture import Band, RasterSpec

if TYPE_CHECKING:
    from hotfolder.colour.profile import Profile

hookspec = pluggy.HookspecMarker("hotfolder")
hookimpl = pluggy.HookimplMarker("hotfolder")


class StageSettings(SettingsModel):
    """Settings of a stage, the table ``[stage.NAME]`` of a destination's file."""

    only_looks: ClassVar[bool] = False
    """Whether results are the same without the stage: it measures, holds or shows.

    A batch's delivered results are not made anew for a change of such a stage.
    """

    judging: ClassVar[frozenset[str]] = frozenset()
    """Settings that decide whether a job is held or warned of, and never what its result is."""


Findings = Mapping[str, Any]
"""What a stage measured: JSON values under keys that carry their unit (``radius_px``)."""


@dataclass(frozen=True)
class Original:
    """The file as it was dropped.

    name: its name as text, fit for showing; bytes: its size; sha256: of its bytes, lower-case hex;
    format: ``"TIFF"``, ``"JPEG"`` or ``"PNG"``; bits: per channel; spec: the picture in it,
    upright, with the profile it carried (or None); pages: how many pictures the file holds;
    notes: what the reader had to decide, as plain sentences.
    """

    name: str
    bytes: int
    sha256: str
    format: str
    bits: int
    spec: RasterSpec
    pages: int = 1
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Job:
    """What a stage may know about the job it works in.

    id: the job's name, unique for ever; destination: name of the destination;
    medium, result: these tables of the destination's file; settings: the validated settings of
    every stage of this destination, by stage name; profile: the medium's ICC profile;
    profiles: the folder that profile names in settings are relative to;
    folder: an empty folder of this attempt, for scratch files; gone when the job ends;
    is_trial: somebody only asks what would come out; nothing is delivered.
    """

    id: str
    destination: str
    medium: Medium
    result: Result
    original: Original
    profile: Profile
    profiles: Path
    folder: Path
    settings: Mapping[str, StageSettings] = field(default_factory=dict)
    is_trial: bool = False


SettingsT = TypeVar("SettingsT", bound=StageSettings)


class Stage(ABC, Generic[SettingsT]):
    """One step of the work on a job's pixels or metadata.

    The runner calls, in this order and once each: `open`, `review`, `bands`, `close`, `present`.
    `open` is called for all stages in the order of the destination's file, each with the spec that
    the one before returned; then `review` for all; then the bands flow, in a thread for each stage;
    then `close` for all; then `present` for all, if people are to look at the job. A new object is
    made for every job.

    A subclass sets ``name``, and ``Settings`` when it has any; the methods it does not need it
    leaves alone: as they stand, a stage lets everything pass and finds nothing.
    """

    name: ClassVar[str]
    """The name in a destination's file: lower-case words joined by hyphens."""

    Settings: ClassVar[type[StageSettings]] = StageSettings
    """The model of the table ``[stage.NAME]``."""

    def __init__(self, settings: SettingsT) -> None:
        self.settings = settings

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Check what comes in and say what will come out.

        Raises
        ------
        Hold, Refuse
            The job ends here; no pixels are computed.
        """
        return raster

    def review(self, result: RasterSpec) -> None:
        """Look at the raster that will be written, now that every stage has been opened.

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
        """
        yield from bands

    def close(self) -> Findings:
        """Say what was measured, after the last band.

        Raises
        ------
        Hold
            As in `review`; give it the findings, they are recorded all the same.
        """
        return {}

    def present(self) -> None:
        """Leave in the job's folder what people are to look at.

        Called for held jobs and trials, and for delivered ones where ``keep_sheets`` is "all".
        """

    @classmethod
    @hookimpl
    def hotfolder_stage(cls) -> type[Stage[Any]]:
        """Offer this class to the registry; inherited, so that a class is a whole plugin."""
        return cls


class StageHooks:
    """The hook that the registry calls on every plugin."""

    @hookspec
    def hotfolder_stage(self) -> type[Stage[Any]]:
        """Return the stage class that this plugin offers."""
        raise NotImplementedError
