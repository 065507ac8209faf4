"""From a ticket's rows and a batch's pictures to jobs.

A row whose picture, settings and name are those of a job that was made before keeps that job,
whatever became of it: so a corrected ticket costs only what was corrected.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path

from hotfolder.batch.changes import RowError, hash_placement, plan_changes
from hotfolder.batch.naming import make_stems
from hotfolder.batch.shelf import KeptFile, Line, NewJob
from hotfolder.batch.ticket import Placement, Ticket, TicketError, read_ticket
from hotfolder.disk import names
from hotfolder.errors import SettingsError
from hotfolder.intake.claim import new_job_id
from hotfolder.model.records import Changes, PlacementRecord
from hotfolder.settings.changes import with_changes
from hotfolder.settings.files import Destination, check_destination
from hotfolder.settings.tables import Intake, TicketTable
from hotfolder.stages.registry import Registry

_SHOWN = 5
_LIKE = 0.85
_NUMBER = re.compile(r"\d+")


@dataclass(frozen=True)
class StandingTicket:
    """The latest ticket that can be read."""

    ticket: Ticket
    name: str = ""
    sha256: str = ""
    problem: str = ""
    """Why a later one cannot be read; "" when there is none."""


def read_latest_ticket(tickets: list[KeptFile]) -> StandingTicket:
    """Read the ticket that came last, or the last before it that can be read."""
    problem = ""
    for each in reversed(tickets):
        try:
            ticket = read_ticket(Path(each.place).read_bytes(), each.name)
        except TicketError as error:
            problem = problem or f"{each.name} is not a ticket: {error}"
        except OSError as error:
            problem = problem or f"{each.name} cannot be read: {error.strerror or error}"
        else:
            return StandingTicket(ticket, each.name, each.sha256, problem)
    return StandingTicket(Ticket(()), problem=problem)


class Pictures:
    """The pictures of a batch by the names that a row may give them."""

    def __init__(self, files: list[KeptFile]) -> None:
        self._files = files
        self._named: set[str] = set()

    def find(self, name: str) -> tuple[KeptFile | None, str]:
        """Return the picture of a name, or None and why not, as a sentence.

        The whole path below the batch's folder counts first, then the name of the file alone,
        then the name without its suffix; case and normal form do not.
        """
        wanted = names.collision_key(names.display_name(name))
        for view in (_take_whole, _take_file_name, _take_stem):
            found = [each for each in self._files if view(each.key) == wanted]
            if len(found) == 1:
                self._named.add(found[0].key)
                return found[0], ""
            if found:
                several = ", ".join(each.name for each in found[:_SHOWN])
                return None, f"{len(found)} pictures match: {several}; say which"
        return None, ""

    def find_like(self, name: str) -> str:
        """Return the one picture whose name is nearly this, or "": a slip of the pen.

        Numbers are those of a camera, of which each is another picture.
        """
        wanted = _take_stem(names.collision_key(names.display_name(name)))
        numbers = _NUMBER.findall(wanted)
        stems = {_take_stem(each.key): each.name for each in self._files}
        by_stem = {stem: name for stem, name in stems.items() if _NUMBER.findall(stem) == numbers}
        found = get_close_matches(wanted, by_stem, 2, _LIKE)
        return by_stem[found[0]] if len(found) == 1 else ""

    def spare(self) -> tuple[str, ...]:
        """Pictures that nobody has asked for, in order of coming."""
        return tuple(each.name for each in self._files if each.key not in self._named)


def _take_whole(key: str) -> str:
    return key


def _take_file_name(key: str) -> str:
    return key.rpartition("/")[2]


def _take_stem(key: str) -> str:
    last = _take_file_name(key)
    return last.rpartition(".")[0] or last


@dataclass
class Planning:
    """Turns the rows of one ticket into lines and jobs."""

    destination: Destination
    table: TicketTable
    batch: str
    read: StandingTicket
    registry: Registry
    file: Path
    new: list[NewJob] = field(default_factory=list)
    made: dict[str, str] = field(default_factory=dict)
    _checked: dict[str, str] = field(default_factory=dict)

    def lines(
        self,
        pictures: Pictures,
        known: Mapping[str, str],
        earlier: Mapping[str, list[str]],
    ) -> list[Line]:
        """Plan every placement; jobs that are there already are kept."""
        found = []
        fixed = {
            "medium": self.destination.file.medium.surface.value,
            "destination": self.destination.name,
        }
        stems = make_stems(self.table.name, self.batch, self.read.ticket.placements, fixed)
        for placement, stem in zip(self.read.ticket.placements, stems, strict=True):
            picture, why = pictures.find(placement.file)
            line = Line(
                row=placement.row,
                file=placement.file,
                page=placement.page,
                placement=placement.name,
                name=stem,
                width_mm=placement.width_mm,
                height_mm=placement.height_mm,
                copies=placement.copies,
                caption=placement.caption,
                intent=placement.intent,
                rendering=placement.rendering,
                anchor=placement.anchor,
                white=placement.white,
            )
            if picture is None:
                missing = f"no picture of this name has arrived: {placement.file}"
                like = pictures.find_like(placement.file)
                missing += f"; is {like} meant?" if like else ""
                found.append(
                    line.model_copy(update={"problem": why or missing, "missing": not why})
                )
                continue
            line = line.model_copy(update={"picture": picture.name})
            try:
                changes = plan_changes(placement, self.destination, self.registry)
                self._check(changes)
            except RowError as error:
                found.append(line.model_copy(update={"problem": str(error)}))
                continue
            print_ = hash_placement(picture.sha256, changes, self.destination, line.name)
            job = known.get(print_) or self.made.get(print_)
            if job is None:
                job = new_job_id()
                of_place = earlier.get(f"{placement.page}\n{placement.name}", [])
                self.new.append(
                    NewJob(
                        job,
                        picture.bytes,
                        self._make_record(placement, line, picture, changes, print_, of_place),
                    )
                )
            self.made[print_] = job
            found.append(line.model_copy(update={"job": job}))
        return found

    def _make_record(
        self,
        placement: Placement,
        line: Line,
        picture: KeptFile,
        changes: Changes,
        print_: str,
        earlier: list[str],
    ) -> PlacementRecord:
        return PlacementRecord(
            batch=self.batch,
            ticket=self.read.name,
            row=placement.row,
            page=placement.page,
            placement=placement.name,
            name=line.name,
            file=picture.name,
            kept=picture.place,
            sha256=picture.sha256,
            copies=placement.copies,
            caption=placement.caption,
            width_mm=placement.width_mm,
            height_mm=placement.height_mm,
            changes=changes,
            fingerprint=print_,
            earlier=tuple(earlier),
        )

    def _check(self, changes: Changes) -> None:
        """Let the stages look at what a row asks of them.

        Raises
        ------
        RowError
            When the settings would not be right with it.
        """
        key = repr(changes)
        if key not in self._checked:
            raw = with_changes(self.destination.raw, changes)
            try:
                check_destination(self.file, raw, self.registry, Intake())
                self._checked[key] = ""
            except SettingsError as error:
                problem = error.problems[0]
                self._checked[key] = f"{problem.key}: {problem.got}; {problem.advice}"
        if self._checked[key]:
            raise RowError("the row", self._checked[key], "what the destination's settings take")
