"""What settings files can say: the tables of a root's file and of its destinations'."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from hotfolder.model.destination import Medium, Reading, Result, SettingsModel, Viewing
from hotfolder.model.hours import HoursText
from hotfolder.model.name_template import NameTemplate
from hotfolder.model.units import AgeS, ByteCount, DurationS
from hotfolder.settings.engine import EngineTable
from hotfolder.settings.notify import NotifyTable


class Limits(SettingsModel):
    """The table ``[limits]`` of a destination: what one job may cost before it is stopped."""

    time: DurationS = 1800.0
    """How long one attempt may take."""
    memory: ByteCount = 4.0 * 2**30
    """How much memory one attempt may use."""
    attempts: Annotated[int, Field(ge=1, le=10)] = 3
    """How often a job whose worker crashes or is stopped is tried before it is held."""


class Folders(SettingsModel):
    """The table ``[folders]``: this destination's folders, when they are not in the root.

    A path is absolute, or below the root. Give each destination folders of its own.
    """

    hot_folder: str | None = None
    """Where finished files are dropped; usually ``in/NAME``."""
    results: str | None = None
    """Where results and the log of records are written; usually ``out/NAME``."""
    held: str | None = None
    """Where jobs wait for a person's decision; usually ``held/NAME``."""
    refused: str | None = None
    """Where files that cannot be processed are put; usually ``refused/NAME``."""
    originals: str | None = None
    """Where the originals of delivered jobs are kept; usually ``originals/NAME``."""
    release: str | None = None
    """Where you move a held job's folder to release it; usually ``release/NAME``."""


class Intake(SettingsModel):
    """The table ``[intake]``: how a hot folder is watched and when a file has arrived."""

    watch: Literal["auto", "events", "poll"] = "auto"
    """What wakes a scan: events of the file system, a clock, or what suits the file system."""
    rescan: DurationS = 60.0
    """How often a folder is scanned in full when events wake the scan."""
    poll: DurationS = 5.0
    """How often a folder is scanned when there are no events."""
    quiet: DurationS = 2.0
    """How long a file must stay unchanged before it counts as arrived."""
    patience: DurationS = 60.0
    """How long to wait for a file that looks unfinished before it counts as damaged; five times
    as long where the system does not say who has the file open."""


class TicketTable(SettingsModel):
    """The table ``[ticket]``: this destination works on tickets and the pictures they name."""

    name: NameTemplate = "{page}-{placement}"
    """The names of results, without suffix, with the fields ``{batch}``, ``{page}``,
    ``{placement}``, ``{file}`` (also ``{stem}``), ``{row}``, ``{width}`` and ``{height}`` in mm,
    ``{copies}``, ``{medium}`` and ``{destination}``."""
    spread_lightness: Annotated[float, Field(gt=0, le=100)] = 8.0
    """The difference in L* above which the morning report names two facing pages."""
    spread_neutral: Annotated[float, Field(gt=0, le=100)] = 2.0
    """The difference in mean a* or b* of their greys above which the report names facing pages."""


class DestinationFile(SettingsModel):
    """A file ``destinations/NAME.toml``."""

    title: str = ""
    """What people call the destination."""
    hours: HoursText | None = None
    """The hours in which jobs are begun, in local time ("22:00-06:00"); all day, when it is not
    set."""
    priority: Annotated[int, Field(ge=-100, le=100)] = 0
    """Jobs of a higher priority are begun first. Destinations of the same priority take turns."""
    stages: Annotated[tuple[str, ...], Field(min_length=1)]
    """The stages that a picture passes through, in order."""
    keep_sheets: Literal["all", "held"] = "held"
    """Whether proof sheets of all jobs are kept, or only of those that are held."""
    medium: Medium
    """What will hang on the wall."""
    reading: Reading = Reading()
    """How an original is read where its file leaves a choice."""
    result: Result = Result()
    """The file that comes out."""
    limits: Limits = Limits()
    """What one job may cost."""
    folders: Folders = Folders()
    """Folders that are elsewhere than in the root."""
    intake: Intake | None = None
    """How this hot folder is watched, when not as ``hotfolder.toml`` says."""
    ticket: TicketTable | None = None
    """Whether the destination works on tickets, and how."""
    stage: dict[str, dict[str, object]] = Field(default_factory=dict)
    """A table for each stage that has settings: ``[stage.NAME]``."""


class Keep(SettingsModel):
    """The table ``[keep]``: how long what has been done is kept; `hotfolder tidy` removes the rest.

    Nothing is removed that is not proven by its record and its bytes.
    """

    originals: AgeS | None = None
    """How long the originals of delivered jobs are kept; for ever, when it is not set."""
    sheets: AgeS | None = None
    """How long proof sheets of delivered jobs are kept; for ever, when it is not set."""
    only_collected: bool = True
    """Whether originals and sheets of a job go only once all its results have been taken out of
    `out/`; false where results stay there for good."""
    held: AgeS | None = None
    """From when on `hotfolder tidy` lists a held picture, with its size and the command that gives
    it up; never, when it is not set. Without a person's word none is removed."""
    empty_folders: AgeS = 30 * 86400.0
    """How long a sub-folder of a hot folder is kept in which nothing is."""
    cut_log: bool = True
    """Whether records of years that are over go to a file of their own, ``log-2025.jsonl.gz``."""


class DeskTable(SettingsModel):
    """The table ``[desk]``: what `hotfolder desk` takes in."""

    largest_file: ByteCount = 8.0 * 2**30
    """The largest file that can be dropped into its page; a hot folder takes any."""


class RootFile(SettingsModel):
    """The file ``hotfolder.toml``: what holds for the whole root."""

    workers: Annotated[int, Field(ge=0, le=256)] = 0
    """How many jobs are processed at once; 0: as many as there are cores."""
    intake: Intake = Intake()
    """How hot folders are watched, unless a destination has settings of its own."""
    free_space: ByteCount = 500.0 * 2**20
    """The least room on a disk: while there is less, no file is taken in."""
    room_for_points: ByteCount = 500.0 * 2**20
    """What may be kept in `.hotfolder/points`, so that the next picture of a destination does not
    wait for what depends on its profiles alone. What was not used for longest goes first. It can be
    deleted at any time, and changes no pixel; "0 B" keeps none."""
    keep_discarded: DurationS = 30 * 86400.0
    """How long the original is kept after you delete a held job's folder; "0 s" keeps none."""
    keep: Keep = Keep()
    """How long what has been done is kept."""
    desk: DeskTable = DeskTable()
    """What the desk's page takes in."""
    notify: NotifyTable = NotifyTable()
    """Who is told what, and how."""
    viewing: Viewing | None = None
    """The light in which prints are judged, or screens with `where = "display"`, unless a
    destination says its own: the keys of `[medium.viewing]`."""
    engine: EngineTable = EngineTable()
    """On which machines pictures are worked on."""
