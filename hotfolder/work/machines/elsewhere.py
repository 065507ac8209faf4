"""Attempts on this machine and on others that have joined a scheduler.

An attempt goes to a machine with a free slot. When the machine is lost, lies or cannot work, the
same attempt is made on another one, and at last here: no attempt is counted for it, and the job is
taken from the ledger once, whoever works on it. An answer that comes late comes to nobody, since
the daemon fetches and nobody brings.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Final

from hotfolder.disk import pulse, trees
from hotfolder.logs import get_log
from hotfolder.model.answer import Answer
from hotfolder.model.machines import MachineJob, MachineStatus
from hotfolder.settings.engine import EngineTable
from hotfolder.stages.registry import load_registry
from hotfolder.work.machines.build import hash_build, hash_stages
from hotfolder.work.machines.errand import Busy, Changed, Errand, Lost, NotToBeSent, make_order
from hotfolder.work.machines.line import Asking, Unanswered
from hotfolder.work.machines.places import Runner
from hotfolder.work.machines.roster import Machine, Roster
from hotfolder.work.worker import Attempt, Stopped, read_progress

_LOOK_EVERY_S: Final = 1.0
_TRY_EVERY_S: Final = 0.2
_ASK_S: Final = 5.0
_HASH_EVERY_S: Final = 5.0
_LEAST_SILENCE_S: Final = _LOOK_EVERY_S + 2 * _ASK_S
"""Between two answers of a machine that is well, when the scheduler lets us wait in vain."""
_MOST_REMEMBERED: Final = 1000


class Elsewhere:
    """Makes attempts here and on other machines."""

    def __init__(
        self,
        table: EngineTable,
        line: Asking,
        run_here: Runner,
        number_here: int,
        plugins: Path,
        wake: Callable[[], None] = lambda: None,
    ) -> None:
        """Begin to look for machines.

        run_here, number_here: how attempts are made on this machine, and how many at once; wake:
        called when there may be more slots than before.
        """
        self._table = table
        self._line = line
        self._run_here = run_here
        self._number_here = number_here
        self._wake = wake
        self._name_here = socket.gethostname().partition(".")[0]
        self._registry = load_registry(plugins)
        self._hashes: dict[str, str] = {}
        self._hashed_s = -1e9
        self._roster = Roster(
            hash_build(),
            self._own_stages,
            version("hotfolder"),
            max(table.patience, _LEAST_SILENCE_S),
            table.machines,
        )
        self._taken_here = 0
        self._done_here = 0
        self._lock = threading.Lock()
        self._attempts: dict[str, tuple[str, Attempt]] = {}
        self._failed_at: OrderedDict[str, set[str]] = OrderedDict()
        self._scheduler = ""
        self._stop = threading.Event()
        self._looked = threading.Event()
        self._thread = threading.Thread(target=self._look, name="machines", daemon=True)
        self._thread.start()

    def run(self, attempt: Attempt, stop: threading.Event) -> Answer | Stopped:
        """Make an attempt where there is room for it."""
        own = pulse.current() or pulse.Pulse()
        with own.paused():
            return self._run(attempt, stop)

    def count_slots(self) -> int:
        """Slots of this machine and of all that are asked."""
        others = self._roster.count_slots()
        if self._table.here == "when-needed" and others:
            return others
        return others + self._number_here

    def machines(self) -> tuple[MachineStatus, ...]:
        """How this machine stands, and the others."""
        with self._lock:
            attempts = dict(self._attempts)
            done = self._done_here
        here = MachineStatus(
            name=self._name_here,
            address="",
            slots=self._number_here,
            doing=_describe_jobs(attempts, ""),
            done=done,
            problem=self._scheduler,
        )
        others = self._roster.statuses(lambda each: _describe_jobs(attempts, each.address))
        return (here, *others)

    def close(self) -> None:
        """Ask no machine any more."""
        self._stop.set()
        self._thread.join(_ASK_S)
        self._line.close()

    def wait_for_machines(self, seconds: float) -> bool:
        """Wait until machines have been looked for; return whether they were."""
        return self._looked.wait(seconds)

    def _run(self, attempt: Attempt, stop: threading.Event) -> Answer | Stopped:
        job = attempt.order.job
        stages = _list_stages(attempt)
        avoid = set(self._failed_at.get(job, ()))
        while not stop.is_set():
            # what this machine can do itself need not be sent
            if self._take_here(stages, avoid):
                return self._do_here(attempt, stop)
            machine = self._roster.choose(stages, avoid)
            if machine is None:
                self._roster.wait(_TRY_EVERY_S)
                continue
            answer = self._run_there(attempt, machine, stop, avoid)
            if answer is not None:
                return answer
        return Stopped()

    def _take_here(self, stages: tuple[str, ...], avoid: set[str]) -> bool:
        """Take a slot of this machine, unless another one is to do it."""
        if self._table.here == "when-needed" and self._roster.has_able(stages, avoid):
            return False
        with self._lock:
            if self._taken_here >= self._number_here:
                return False
            self._taken_here += 1
            return True

    def _do_here(self, attempt: Attempt, stop: threading.Event) -> Answer | Stopped:
        job = attempt.order.job
        try:
            with self._lock:
                self._attempts[job] = ("", attempt)
            answer = self._run_here(attempt, stop)
            with self._lock:
                self._done_here += isinstance(answer, Answer)
            return _with_machine(answer, self._name_here)
        finally:
            with self._lock:
                self._taken_here -= 1
                self._attempts.pop(job, None)
            self._roster.wake()

    def _run_there(
        self, attempt: Attempt, machine: Machine, stop: threading.Event, avoid: set[str]
    ) -> Answer | Stopped | None:
        """Have an attempt made on another machine; None when it is to be made somewhere else."""
        job, begun_s = attempt.order.job, time.monotonic()
        try:
            with self._lock:
                self._attempts[job] = (machine.address, attempt)
            order = make_order(attempt, self._table.patience)
            errand = Errand(
                self._line, machine.address, machine.name, attempt, order, self._table.patience
            )
            answer = errand.run(stop)
        except NotToBeSent:
            avoid |= self._roster.list_addresses()
            return None
        except Changed:
            return Answer(verdict="failed", message="it changed while it was being sent")
        except Busy:
            self._roster.note_busy(machine)
            return None
        except Lost as error:
            if stop.is_set():
                return Stopped()
            _empty(attempt.order.folder)
            self._roster.note_fault(machine, str(error))
            get_log().warning("machine.lost", machine=machine.name, job=job, error=str(error))
            avoid.add(machine.address)
            return None
        except OSError as error:
            message = f"a file of the job for {machine.name} cannot be read or written: {error}"
            return Answer(verdict="wait", message=message)
        finally:
            with self._lock:
                self._attempts.pop(job, None)
            self._roster.give_back(machine)
        if isinstance(answer, Stopped):
            return answer
        if answer.verdict == "failed":
            self._remember_failure(job, machine.address)
        self._roster.note_done(machine, _count_megapixels(answer), time.monotonic() - begun_s)
        return _with_machine(answer, machine.name)

    def _remember_failure(self, job: str, address: str) -> None:
        """Let the next attempt at a job go to another machine: this one may be at fault."""
        with self._lock:
            self._failed_at.setdefault(job, set()).add(address)
            while len(self._failed_at) > _MOST_REMEMBERED:
                self._failed_at.popitem(last=False)

    def _look(self) -> None:
        """Look who is there, again and again."""
        while not self._stop.is_set():
            before = self._roster.count_slots()
            self._greet()
            self._looked.set()
            if self._roster.count_slots() > before:
                self._wake()
            self._stop.wait(_LOOK_EVERY_S)

    def _greet(self) -> None:
        found = None
        try:
            found = self._line.find(self._table.address, _ASK_S)
            self._scheduler = ""
        except Unanswered as error:
            said = f"the scheduler {self._table.address} cannot be asked who is there: {error}"
            if not self._scheduler:
                get_log().warning("machines.no_scheduler", error=said)
            self._scheduler = said
        addresses = self._roster.addresses(found)
        try:
            asked = dict.fromkeys(addresses, b"")
            answers = self._line.ask_all(asked, "hotfolder_hello", _ASK_S) if asked else {}
        except Unanswered as error:
            answers = dict.fromkeys(addresses, error)
        for address, answer in answers.items():
            self._roster.note(address, answer)

    def _own_stages(self) -> dict[str, str]:
        """The stages that this machine has, as hashes; read again now and then."""
        now = time.monotonic()
        if now - self._hashed_s > _HASH_EVERY_S:
            with contextlib.suppress(
                OSError
            ):  # a drop-in is being exchanged: the next look sees it
                self._hashes = hash_stages(self._registry)
            self._hashed_s = now
        return self._hashes


def _list_stages(attempt: Attempt) -> tuple[str, ...]:
    named = attempt.destination_raw.get("stages")
    return tuple(map(str, named)) if isinstance(named, list | tuple) else ()


def _describe_jobs(
    attempts: dict[str, tuple[str, Attempt]], address: str
) -> tuple[MachineJob, ...]:
    found = []
    for job, (there, attempt) in attempts.items():
        if there == address:
            doing, share = read_progress(attempt.order.folder) or ("starting", 0.0)
            found.append(MachineJob(job=job, doing=doing, share=share))
    return tuple(found)


def _with_machine(answer: Answer | Stopped, name: str) -> Answer | Stopped:
    """The answer with the machine that gave it, which is ours to say and not the machine's."""
    if isinstance(answer, Stopped) or answer.work is None:
        return answer
    work = answer.work.model_copy(update={"machine": name})
    return answer.model_copy(update={"work": work})


def _count_megapixels(answer: Answer) -> float:
    results = answer.work.results if answer.work else ()
    return sum(each.width_px * each.height_px for each in results) / 1e6


def _empty(folder: Path) -> None:
    """Remove what a lost try has left here: the next one begins with nothing."""
    for path in folder.iterdir():
        trees.remove_tree(path, below=folder)
