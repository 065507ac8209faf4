"""What a stage knows of the job that it works in, and what it tells and leaves there."""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Final, Protocol, TypeVar

from hotfolder.errors import StageError
from hotfolder.model.destination import Medium, Result
from hotfolder.model.neighbour import Neighbour
from hotfolder.model.records import AttachmentKind, JobWarning, Reason
from hotfolder.model.standing import MediumStanding
from hotfolder.raster.picture import RasterSpec
from hotfolder.raster.source import SQUARE_WITHIN
from hotfolder.stages.messages import Message

if TYPE_CHECKING:
    from hotfolder.colour.profile import Profile

NAMES_OF_OURS: Final = frozenset({"answer.json", "progress.json", "worker.log", "started"})
"""What a worker itself leaves in the job's folder, beside ``result.*``."""

_ATTACHMENT_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,63}")


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
    """What people call its format: ``"TIFF"``, ``"JPEG XL"``, ``"OpenEXR"``, …"""

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
    """Share of its floating-point values, 0 … 1, that lay outside their range and were cut, without
    those that ``reading.above_white`` gives leave to cut."""

    cut_above: float = 0.0
    """Of these, the share that lay above white."""

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
    awaited: dict[type[Message], list[Callable[[], None]]] = field(default_factory=dict)


MessageT = TypeVar("MessageT", bound=Message)


class Teller(Protocol):
    """What a job knows of the stage that it was given to."""

    name: ClassVar[str]
    """The stage's name."""

    tells: ClassVar[tuple[type[Message], ...]]
    """Messages that it may tell the other stages."""


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

    begun: datetime = field(default_factory=lambda: datetime.now(UTC).astimezone())
    """When this attempt began, in local time; the same on whichever machine it is made."""

    root: Path | None = None
    """Where the root is, on the machine that serves it: for commands that a page prints alone."""

    is_trial: bool = False
    """Somebody only asks what would come out; nothing is delivered."""

    standing: MediumStanding | None = None
    """What the medium's control strips say, measured last; None when nobody has looked."""

    stage: type[Teller] | None = field(default=None, repr=False)
    """The stage that this was given to."""

    all_neighbours: Mapping[str, Sequence[Neighbour]] = field(default_factory=dict, repr=False)
    """Of each stage that shares something; the runner's own."""

    reasons: Sequence[Reason] = field(default=(), repr=False)
    """What the job will be held for, as far as is known by now; complete in `Stage.present`."""

    _board: _Board = field(default_factory=_Board, repr=False, compare=False)

    def given_to(self, stage: type[Teller]) -> Job:
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

    def command(self, name: str, *words: str) -> str:
        """Return a command of hotfolder's for this root, to be copied into a shell anywhere.

        Parameters
        ----------
        name
            Of the command, as ``strip``.
        words
            What stands behind it, before the root.

        Returns
        -------
        One line; without a root where none is known.
        """
        root = [] if self.root is None else [str(self.root)]
        return shlex.join(["hotfolder", name, *words, *root])

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
        for act in self._board.awaited.pop(type(message), []):
            act()

    def when_told(self, message: type[Message], act: Callable[[], None]) -> None:
        """Have something done when a message is told next: once, and not of one told before.

        Parameters
        ----------
        message
            The type of message.
        act
            Called in the thread of the stage that tells it, which waits for it.
        """
        self._board.awaited.setdefault(message, []).append(act)

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

    def end_of_colours(self) -> None:
        """Forget what was told of colours that a stage changes; the runner's own call."""
        for message in [each for each in self._board.told if each.about_colours]:
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
