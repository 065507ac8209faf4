"""One thread for each destination, so that a share that hangs keeps nobody else waiting.

What is done for a destination besides its jobs is done in *turns* of its own: a look into its hot
folder and its release folder, claims, the files and plans of batches, reports and pages. The loop
begins a turn when it is due (`Lane.begin`) and goes on; it never waits for one. A turn that shows
no sign of life (`disk.pulse`) is *silent*, which is said, and the destination has no other turn
until that one comes back: so nothing is ever done by two threads at once. At the end the loop waits
for a few seconds and leaves behind what has not come back. That is as good as a kill, and the
ledger, which is closed by then, lets a thread that wakes up late commit nothing more.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Final

from hotfolder.batch.folder import BatchFolders
from hotfolder.daemon.claiming import Intake
from hotfolder.daemon.destinations import Destinations
from hotfolder.daemon.handing_out import HandingOut
from hotfolder.daemon.hot_folder import HotFolder
from hotfolder.daemon.putting_away import PuttingAway
from hotfolder.daemon.silence import Silence, find_silence
from hotfolder.daemon.snapshot import IndexPages
from hotfolder.daemon.trouble import About, Kind, Troubles
from hotfolder.disk.pulse import Errand
from hotfolder.errors import StorageError
from hotfolder.logs import get_log
from hotfolder.measured.folder import MeasuredFolder
from hotfolder.settings.files import Destination

NEVER_S: Final = 30.0
"""A sweep does not wait for what has been silent for so many seconds."""


@dataclass
class Turns:
    """What is done for one destination in a turn of its own thread."""

    destinations: Destinations
    open_intake: Callable[[HotFolder], Intake]
    putting_away: PuttingAway
    handing_out: HandingOut
    batches: BatchFolders
    pages: IndexPages
    troubles: Troubles
    wake: Callable[[], None]
    """Lets the loop see what there is to do now; safe to call from any thread."""
    open_measured: Callable[[Destination], MeasuredFolder]
    measured: dict[str, MeasuredFolder] = field(default_factory=dict)
    """Folders of measurements, by destination."""
    intakes: dict[str, Intake] = field(default_factory=dict)
    """By destination."""

    def take(self, name: str, *, ended: bool = False) -> None:
        """Do what can be done now; `ended`: write what is out of date, for the last time."""
        about = About(Kind.LEDGER, name)
        try:
            if ended:
                self._end(name)
            else:
                self._take(name)
            self.troubles.clear(about)
        except StorageError as error:
            self.troubles.note(about, error)
        except OSError as error:
            self.troubles.note(about, describe_in_the_way(error))
        except Exception:  # noqa: BLE001 - logged whole
            # our own mistake must not take the daemon along
            get_log().exception("turn.internal_error", destination=name)
            self.troubles.note(about, StorageError("an internal error, see the log"))

    def _take(self, name: str) -> None:
        hot = self.destinations.take_up(name)
        if hot is None:
            return
        intake = self.intakes.get(name)
        if intake is None:
            intake = self.intakes[name] = self.open_intake(hot)
        intake.hot = hot
        for _ in intake.turn():
            self.wake()
        measured = self.measured.get(name)
        if measured is None:
            measured = self.measured[name] = self.open_measured(hot.destination)
        measured.turn(hot.destination)
        self.putting_away.turn(hot.destination, self.handing_out.pausing(name))
        self.batches.refresh(name)
        self.pages.refresh(hot)

    def forget(self, name: str) -> None:
        """Forget a destination that is not served any more."""
        self.intakes.pop(name, None)
        measured = self.measured.pop(name, None)
        if measured is not None:
            measured.stop()

    def _end(self, name: str) -> None:
        if name in self.measured:
            self.measured[name].stop()
        if name in self.destinations:
            self.batches.refresh(name, ended=True)
            self.pages.refresh(self.destinations[name], ended=True)
            self.destinations[name].stop()


class Lane:
    """The thread of one destination; used by the loop's thread, but for `ask`."""

    def __init__(self, name: str, turns: Turns) -> None:
        self.name = name
        self._turns = turns
        self._errand: Errand[None] | None = None
        self._asked = threading.Event()
        self._asked.set()

    def ask(self) -> None:
        """Let it have a turn soon: something has happened that concerns its destination."""
        self._asked.set()

    def is_busy(self) -> bool:
        """Whether it is at a turn."""
        return self._errand is not None and not self._errand.is_done()

    def begin(self, *, ended: bool = False) -> None:
        """Begin a turn, if it is due and none is under way; `ended`: the last one, in any case."""
        if self.is_busy() or not (ended or self._is_due()):
            return
        self._asked.clear()

        turn = partial(self._turns.take, self.name, ended=ended)
        self._errand = Errand(f"serve {self.name}", turn, self._turns.wake)

    def wait(self, seconds: float) -> bool:
        """Wait for its turn to end, at most so many seconds; return whether it has ended."""
        return self._errand is None or self._errand.wait(seconds)

    def silence(self) -> Silence | None:
        """What its turn waits for; None when it is not silent."""
        errand = self._errand
        if errand is None or errand.is_done():
            return None
        return find_silence(self.name, errand.pulse)

    def is_idle(self) -> bool:
        """Whether nothing arrives, and nothing is ready that could be taken in."""
        intake = self._turns.intakes.get(self.name)
        if self.is_busy() or self._asked.is_set():
            return False
        if intake is None:
            return not self._turns.destinations.is_changing(self.name)
        measured = self._turns.measured.get(self.name)
        if measured is None or not measured.is_idle():
            return False
        return not _is_woken(intake) and intake.is_idle()

    def next_s(self) -> float | None:
        """When it should have a turn, on the clock of `time.monotonic`; None: when it is asked."""
        turns = self._turns
        again = turns.troubles.next_try_s(Kind.LEDGER, self.name)
        if again is not None:
            return again
        intake, measured = turns.intakes.get(self.name), turns.measured.get(self.name)
        due = [
            intake.next_look_s() if intake else None,
            turns.putting_away.next_try_s(self.name),
            turns.batches.next_s(self.name),
            turns.pages.next_s(self.name),
            measured.next_look_s() if measured else None,
        ]
        return min((each for each in due if each is not None), default=None)

    def _is_due(self) -> bool:
        now, due = time.monotonic(), self.next_s()
        if self._turns.troubles.has(Kind.LEDGER, self.name):
            return due is None or due <= now
        intake = self._turns.intakes.get(self.name)
        has_more = intake is not None and (intake.has_more() or _is_woken(intake))
        return self._asked.is_set() or has_more or (due is not None and due <= now)


def _is_woken(intake: Intake) -> bool:
    """Whether an event asks for a scan, which comes after what is ready has been taken."""
    return intake.hot.is_woken() and not intake.hot.ready


def describe_in_the_way(error: OSError) -> StorageError:
    """Say that a folder of our own cannot be used."""
    place = f"{error.filename}: " if error.filename else ""
    return StorageError(f"{place}{error.strerror or error}")
