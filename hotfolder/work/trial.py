"""A trial: one picture through a destination's stages, with nothing delivered.

It needs no lock and no ledger, so it works beside a daemon. The work is done as for a job, in a
worker process with the destination's limits, in a temporary folder that goes afterwards; the
original is only read. What a trial changes of a destination's stages is said by the caller.
"""

from __future__ import annotations

import os
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, TypeVar

from pydantic import BaseModel, ValidationError

from hotfolder.disk import durable, names
from hotfolder.errors import Problem, SettingsError, StageError, StorageError
from hotfolder.measured.standing import find_standing
from hotfolder.measured.to_lay import find_strip_to_lay
from hotfolder.model.answer import Answer
from hotfolder.model.neighbour import Neighbour
from hotfolder.model.records import WayOn, WorkRecord
from hotfolder.model.standing import MediumStanding
from hotfolder.settings.files import Destination, load_destination, read_root_file
from hotfolder.settings.root import Root
from hotfolder.settings.tables import Intake
from hotfolder.stages.contract import Place
from hotfolder.stages.registry import load_registry
from hotfolder.stages.roles import Role
from hotfolder.work.order import Order
from hotfolder.work.worker import Attempt, Stopped, read_progress, run_attempt

Tell = Callable[[str, float], None]
"""Called a few times a second with what is being done and the share done, 0 … 1."""

End = Literal["delivered", "held", "refused", "failed"]

_ENDS: dict[str, End] = {"deliver": "delivered", "hold": "held", "refuse": "refused"}
_BEHIND_FINISHED = (Place.CONVERTED, Place.SHEET, Place.LAST)
_LOOK_EVERY_S = 0.2
_FindingsT = TypeVar("_FindingsT", bound=BaseModel)


@dataclass(frozen=True)
class Part:
    """Tells the progress of one trial among several."""

    tell: Tell
    name: str
    number: int
    of: int

    def __call__(self, doing: str, share: float) -> None:
        """Tell it as a part of the whole."""
        said = f"{self.name}: {doing}" if self.name else doing
        self.tell(said, (self.number + share) / self.of)


@dataclass(frozen=True)
class Trial:
    """What a trial came to."""

    destination: Destination
    verdict: str
    """What would happen to the picture; ``failed`` when the work was not done, and `message`
    says why."""
    work: WorkRecord | None
    message: str
    folder: Path
    """Where what was made is, while the temporary folder lasts."""
    standing: MediumStanding = field(default_factory=MediumStanding)
    """How the medium stands, by its control strips."""

    @property
    def end(self) -> End:
        """What would happen to the picture."""
        return _ENDS.get(self.verdict, "failed")

    @property
    def reasons(self) -> list[str]:
        """Why it would not simply be delivered, as sentences."""
        return [*([self.message] if self.message else []), *self._reasons()]

    @property
    def ways_on(self) -> tuple[WayOn, ...]:
        """Changes of settings that let it be tried out where it was not, the best first."""
        reasons = self.work.reasons if self.work else ()
        ways = [way for reason in reasons for way in reason.ways_on]
        return tuple(way for way in ways if way.options and {*way.options[::2]} == {"--set"})

    def _reasons(self) -> list[str]:
        return [reason.message for reason in self.work.reasons] if self.work else []


def destinations(root: Root, asked: list[str]) -> list[Destination]:
    """Load the destinations that were asked for; all of the root when none was.

    Raises
    ------
    SettingsError
        When one does not exist, or its settings are not right.
    """
    files = {path.stem: path for path in sorted(root.destinations.glob("*.toml"))}
    if not files:
        raise SettingsError([root.absence])
    problems = [
        Problem("--for", "", f"there is no destination {name!r}", ", ".join(files))
        for name in asked
        if name not in files
    ]
    if problems:
        raise SettingsError(problems)
    registry = load_registry(root.plugins)
    return [
        load_destination(files[name], registry, Intake())
        for name in dict.fromkeys(asked or list(files))
    ]


def say_places(at: Sequence[tuple[float, float]]) -> list[list[str]]:
    """Write places in a picture, shares of its sides, as a stage's setting has them."""
    return [[f"{100 * share:.8g} %" for share in each] for each in at]


def with_stage(
    destination: Destination,
    name: str,
    settings: Mapping[str, object],
    leave_out: Role | None = None,
    *,
    bare: bool = False,
) -> dict[str, object]:
    """Return a destination's file with one more stage, where the picture is finished.

    That is before the conversion. A stage that is there already stays where it is and gets the
    settings beside its own.

    Parameters
    ----------
    leave_out
        Stages in this role are not wanted.
    bare
        Whether to leave out what puts paper around the picture: then the result's pixels are where
        the finished picture's are.
    """
    classes = {
        each: stage
        for each, stage in destination.stages.items()
        if (leave_out is None or stage.role is not leave_out)
        and not (bare and stage.place is Place.SHEET)
    }
    stages = list(classes)
    if name not in stages:
        places = [stage.place for stage in classes.values()]
        at = next((at for at, each in enumerate(places) if each in _BEHIND_FINISHED), len(stages))
        stages.insert(at, name)
    tables = {key: value for key, value in destination.file.stage.items() if key in stages}
    tables[name] = {**tables.get(name, {}), **settings}
    return {**destination.raw, "stages": stages, "stage": tables}


def read_findings(trial: Trial, stage: str, model: type[_FindingsT]) -> _FindingsT | None:
    """Read what a stage in a role has found; None when it came to no findings.

    Raises
    ------
    StageError
        When they are not what its role asks for.
    """
    found = trial.work.findings.get(stage) if trial.work else None
    if not found:
        return None
    try:
        return model.model_validate(found)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(map(str, first["loc"]))
        said = f"returned findings that do not fit its role: {key}: {first['msg']}"
        raise StageError(stage, said) from error


@contextmanager
def workplace() -> Iterator[Path]:
    """A folder for trials, gone afterwards; where the system puts temporary files (TMPDIR)."""
    with tempfile.TemporaryDirectory(prefix="hotfolder-") as folder:
        yield Path(folder)


def try_out(
    root: Root,
    image: Path,
    destination: Destination,
    raw: Mapping[str, object],
    folder: Path,
    tell: Tell,
    *,
    only_foresees: bool = False,
    only_shows: bool = False,
    neighbours: Mapping[str, Sequence[Neighbour]] | None = None,
) -> Trial:
    """Run one picture through a destination's stages.

    Parameters
    ----------
    raw
        The destination's file as TOML gives it, changed as the caller needs.
    folder
        Where it may write; an empty folder is made in it.
    only_foresees
        Whether to stop before the first pixel: what the picture's size, profile and shape alone
        are held for, in a moment.
    only_shows
        Whether to make nothing but a small picture of the original (`small_picture`).
    neighbours
        What stages have said of other pictures of its folder or batch, by stage.

    Raises
    ------
    SettingsError
        When the picture is no file that can be read.
    StorageError
        When there is no room, or no process can be started.
    """
    place = folder / f"trial-{len(os.listdir(folder))}"  # noqa: PTH208 - a number is all we need
    place.mkdir()
    try:
        digest = durable.sha256_of(image.resolve(strict=True))
    except OSError as error:
        allowed = "the file of a picture"
        raise SettingsError([Problem(str(image), "", error.strerror or str(error), allowed)]) from (
            error
        )
    strip = find_strip_to_lay(
        root, destination, raw, datetime.now(UTC).astimezone().date(), is_trial=True
    )
    standing = replace(find_standing(root, destination), strip=strip)
    attempt = Attempt(
        order=Order(
            job="trial",
            original=image.resolve(),
            name=names.display_name(image.name),
            sha256=digest.sha256,
            bytes=digest.bytes,
            folder=place,
            profiles=root.profiles,
            root=root.path.absolute(),
            is_trial=True,
            only_foresees=only_foresees,
            only_shows=only_shows,
            neighbours=neighbours or {},
            standing=standing,
            points=root.points_folder(read_root_file(root.path).room_for_points),
        ),
        destination_file=root.destinations / f"{destination.name}.toml",
        destination_raw=raw,
        plugins=root.plugins,
        time_s=destination.file.limits.time,
        memory_bytes=int(destination.file.limits.memory),
    )
    answer = _watched(attempt, tell)
    if answer.verdict == "wait":
        raise StorageError(
            f"{answer.message}. Temporary files are put into {folder.parent}; another place with "
            "more room can be named in the environment variable TMPDIR."
        )
    message = answer.failure.message() if answer.failure else answer.message
    return Trial(destination, answer.verdict, answer.work, message, place, standing)


def _watched(attempt: Attempt, tell: Tell) -> Answer:
    """Run the attempt in a thread, so that Ctrl-C and progress stay with this one."""
    stop = threading.Event()
    with ThreadPoolExecutor(1, thread_name_prefix="trial") as pool:
        future = pool.submit(run_attempt, attempt, stop)
        try:
            while wait([future], _LOOK_EVERY_S).not_done:
                tell(*(read_progress(attempt.order.folder) or ("reading", 0.0)))
        finally:
            stop.set()
        try:
            answer = future.result()
        except OSError as error:
            raise StorageError(f"no worker can be started: {error}") from error
    if isinstance(answer, Stopped):
        raise StorageError("the work was stopped")
    return answer
