"""The hot folder of measurements, ``measured/NAME/``: what settles is kept and judged, or refused.

It is served in its destination's turns, as its other folders are, by the same scan and the same
rules for what has finished arriving.
"""

from __future__ import annotations

import hashlib
import os
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from hotfolder.disk import durable
from hotfolder.disk.marker import write_marker
from hotfolder.disk.names import display_name
from hotfolder.disk.platforms import open_regular
from hotfolder.disk.pulse import Errand
from hotfolder.errors import HotfolderError
from hotfolder.intake.scan import Candidate, scan
from hotfolder.intake.settle import Settler
from hotfolder.intake.watch import Watch
from hotfolder.logs import get_log
from hotfolder.measured.book import NEW_BATCH, PHOTOGRAPHS, Book, is_ours
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root
from hotfolder.stages.roles import PhotographFindings

if TYPE_CHECKING:
    from hotfolder.measured.control_strip import ControlStrip

_HEAD: Final = 16
_A_TURN: Final = 8
"""So many files are judged in one turn at most; pictures of the destination wait meanwhile."""


ReadPhotograph = Callable[[Root, Path, Destination, int], PhotographFindings]
"""Reads strips of so many patches in a photograph, in a process of its own."""


@dataclass(frozen=True)
class _Reading:
    """A photograph that is being read."""

    kept: Path
    strip: ControlStrip
    errand: Errand[PhotographFindings]


class MeasuredFolder:
    """What the daemon knows of one destination's folder of measurements; used in its thread.

    Attributes
    ----------
    problem
        Why the folder cannot be used, or "".
    """

    def __init__(
        self,
        root: Root,
        destination: Destination,
        wake: Callable[[], None],
        read_photograph: ReadPhotograph,
    ) -> None:
        self._root = root
        self._read_photograph = read_photograph
        self._destination = destination
        self.book = Book(root, destination.name)
        self.problem = ""
        self._due = 0.0
        self._has_looked_back = False
        self._woken = threading.Event()
        self._watch: Watch | None = None
        self._photographs: deque[Path] = deque()
        self._reading: _Reading | None = None
        settings = destination.intake
        self._settler = Settler(settings.quiet, settings.patience)

        def wake_both() -> None:
            self._woken.set()
            wake()

        self._wake = wake_both

    def turn(self, destination: Destination) -> None:
        """Look, if an event or the clock says so, and judge what has settled."""
        self._destination = destination
        if not self.is_due():
            return
        self._woken.clear()
        settings = destination.intake
        try:
            self._look()
        except (OSError, HotfolderError) as error:
            said = str(error)
            if said != self.problem:
                get_log().error("measured.stopped", destination=destination.name, reason=said)
            self.problem = said
            self._has_looked_back = False
            self._due = time.monotonic() + settings.poll
            return
        self.problem = ""
        again = self._settler.next_check_s()
        watched = self._watch is not None and self._watch.mode == "events"
        rest = settings.rescan if watched else settings.poll
        self._due = time.monotonic() + (rest if again is None else min(rest, again))

    def is_due(self) -> bool:
        """Whether an event or the clock asks for a look."""
        return self._woken.is_set() or time.monotonic() >= self._due

    def next_look_s(self) -> float:
        """When to look again, on the clock of `time.monotonic`."""
        return 0.0 if self._woken.is_set() else self._due

    def is_idle(self) -> bool:
        """Whether nothing arrives, and nothing waits to be judged."""
        if self.problem:
            return True
        if self._reading is not None or self._photographs:
            return False
        return not self._settler.waiting() and not self.is_due()

    def stop(self) -> None:
        """Stop watching."""
        if self._watch is not None:
            self._watch.stop()
            self._watch = None

    def _look(self) -> None:
        folder = self.book.folder
        make_measured_folder(self._root, self.book.destination)
        if self._watch is None:
            self._watch = Watch(folder, self._destination.intake.watch, self._wake)
        elif not self._watch.healthy():
            self._watch.restart()
        if not self._has_looked_back:
            self._photographs.clear()
            busy = self._reading.kept if self._reading else None
            for path in self.book.list_unjudged():
                if path.parent.name != PHOTOGRAPHS:
                    self._judge(path)
                elif path != busy:
                    self._photographs.append(path)
            self._has_looked_back = True
        settled = self._settler.update(scan(folder, is_ours=is_ours).candidates)
        for candidate in settled[:_A_TURN]:
            self._take(candidate)
            self._settler.forget(candidate)
        self._go_on_with_photographs()
        if settled[_A_TURN:]:
            self._woken.set()

    def _take(self, candidate: Candidate) -> None:
        expected = self.book.is_new_batch_expected(self._root)
        new_batch = expected or candidate.relative.startswith(f"{NEW_BATCH}/")
        if candidate.kind != "file":
            self._refuse(candidate.path, "it is no file: drop the instrument's file itself")
            return
        try:
            # it may have become a link since the scan; what a link leads to is not ours to read
            os.close(open_regular(candidate.path))
            if _is_picture(candidate.path):
                self._photographs.append(self.book.keep(candidate.path, is_photograph=True))
                return
            kept = self.book.keep(candidate.path, new_batch=new_batch)
        except FileNotFoundError:
            return  # taken away again
        # a kill in between leaves a second new chart, and no strip in the wrong one
        if self._judge(kept) and expected:
            self.book.forget_new_batch(self._root)

    def _judge(self, kept: Path) -> bool:
        """Judge a kept file; return whether it could be used."""
        from hotfolder.measured.control_strip import recall_strips, strip_command
        from hotfolder.measured.limits import load_limits
        from hotfolder.measured.table import MAX_BYTES, NotUsable
        from hotfolder.measured.verdict import judge

        name, below = kept.name, self.book.below(kept)
        with durable.open_to_read(kept) as file:
            data = file.read(MAX_BYTES + 1)
        try:
            verdict = judge(
                data,
                name=display_name(name),
                kept=below,
                sha256=hashlib.sha256(data).hexdigest(),
                new_batch=f"{NEW_BATCH}/" in below,
                destination=self._destination.name,
                profile=self._destination.profile,
                strips=recall_strips(self._root),
                make_strip=strip_command(self._root, self._destination.name),
                limits=load_limits(self._root),
                earlier=self.book.read(),
            )
        except NotUsable as error:
            self._refuse(kept, str(error))
            return False
        self.book.append(verdict)
        log = (
            get_log().warning
            if any(each.new for each in verdict.drift.values())
            else get_log().info
        )
        log(
            "measured.judged",
            destination=verdict.destination,
            file=verdict.file,
            mean=verdict.mean_delta_e_00,
            reason=" ".join(verdict.words),
        )
        return True

    def _go_on_with_photographs(self) -> None:
        """Have the next photograph read, or judge the one that was read.

        It is read by an errand: that takes seconds, and pictures of the destination do not wait.
        """
        from hotfolder.measured.photograph import choose_strip
        from hotfolder.measured.table import NotUsable

        if self._reading is not None and self._reading.errand.is_done():
            reading, self._reading = self._reading, None
            self._judge_photograph(reading)
        while self._reading is None and self._photographs:
            kept, destination = self._photographs.popleft(), self._destination
            try:
                strip = choose_strip(self._root, destination.name, destination.profile.sha256)
            except NotUsable as error:
                self._refuse(kept, str(error))
                continue
            number = len(strip.patches)
            read = partial(self._read_photograph, self._root, kept, destination, number)
            errand = Errand(f"photograph for {destination.name}", read, self._wake)
            self._reading = _Reading(kept, strip, errand)

    def _judge_photograph(self, reading: _Reading) -> None:
        from hotfolder.measured.photograph import judge_photograph
        from hotfolder.measured.table import NotUsable

        kept = reading.kept
        try:
            said = judge_photograph(
                reading.errand.answer(),
                name=display_name(kept.name),
                kept=self.book.below(kept),
                sha256=durable.sha256_of(kept).sha256,
                strip=reading.strip,
                earlier=self.book.read(),
            )
        except NotUsable as error:
            self._refuse(kept, str(error))
            return
        self.book.append_photograph(said)
        get_log().info(
            "measured.photographed",
            destination=said.destination,
            file=said.file,
            reason=" ".join(said.words),
        )

    def _refuse(self, path: Path, reason: str) -> None:
        moved = self.book.refuse(path, reason)
        get_log().warning(
            "measured.refused",
            destination=self.book.destination,
            file=display_name(moved.name),
            reason=reason,
        )


def _is_picture(path: Path) -> bool:
    from hotfolder.measured.photograph import is_picture

    with durable.open_to_read(path) as file:
        return is_picture(file.read(_HEAD))


def make_measured_folder(root: Root, destination: str) -> list[Path]:
    """Make a destination's folder of measurements, when it is not there; return what was made.

    One that is there without its marker stays as it is: a share may be missing in its place.

    Raises
    ------
    OSError
        When it cannot be made.
    Unreachable
        When it cannot be marked.
    """
    folder = root.measured / destination
    if folder.is_dir():
        return []
    folder.mkdir(parents=True)
    write_marker(folder)
    (folder / NEW_BATCH).mkdir(exist_ok=True)
    return [folder]
