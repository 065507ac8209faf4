"""The machines that the daemon knows: who can do what, who is silent, who is not trusted for now.

What a machine says of itself decides whether it is asked. What it does decides how soon again:
one that was lost, or gave back what it should not, rests for a while, twice as long each time.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Final

from hotfolder.model.machines import MachineJob, MachineStatus
from hotfolder.model.records import format_time
from hotfolder.work.machines.line import Reply, Unanswered
from hotfolder.work.machines.messages import PROTOCOL, Hello, NotUnderstood, decode

_REST_S: Final = 5.0
_LONGEST_REST_S: Final = 600.0
_BUSY_S: Final = 1.0
_FORGET_S: Final = 3600.0


@dataclass
class Machine:
    """A machine, as the daemon knows it; changed only by its `Roster`."""

    address: str
    name: str = ""
    hello: Hello | None = None
    heard_s: float = 0.0
    """When it was last heard of."""
    first_s: float = 0.0
    in_hand: int = 0
    """Tries that we have given it."""
    done: int = 0
    megapixels: float = 0.0
    worked_s: float = 0.0
    faults: int = 0
    """Since it last did what it should."""
    rests_until_s: float = 0.0
    fault: str = ""
    unfit: str = ""
    silent: str = ""
    since: str = ""
    left: bool = False
    """The scheduler knows it no more."""
    remarks: dict[str, str] = field(default_factory=dict)

    @property
    def slots(self) -> int:
        """How many tries it works on at once."""
        return self.hello.slots if self.hello else 0

    @property
    def megapixels_per_minute(self) -> float | None:
        """Of results, with all its slots at work; None before the first."""
        if self.worked_s <= 0:
            return None
        return round(60 * self.slots * self.megapixels / self.worked_s, 1)


class Roster:
    """All machines; safe to call from several threads."""

    def __init__(
        self,
        build: str,
        stages: Callable[[], dict[str, str]],
        version: str,
        patience_s: float,
        most: int,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Prepare; build, stages, version: what a machine must have to be asked."""
        self._build = build
        self._stages = stages
        self._version = version
        self._patience_s = patience_s
        self._most = most
        self._clock = clock
        self._machines: dict[str, Machine] = {}
        self._changed = threading.Condition()

    def addresses(self, found: Iterable[str] | None) -> list[str]:
        """Return whom to greet; found: who has joined, None when nobody can say."""
        with self._changed:
            now = self._clock()
            known = set(found) if found is not None else set()
            for address in sorted(known)[: self._most]:
                self._machines.setdefault(address, Machine(address, first_s=now))
            for address, each in list(self._machines.items()):
                each.left = found is not None and address not in known
                is_old = now - max(each.heard_s, each.first_s) > _FORGET_S
                has_moved = each.left and any(
                    other.name == each.name and not other.left
                    for other in self._machines.values()
                    if other is not each
                )
                if each.left and not each.in_hand and (is_old or has_moved):
                    del self._machines[address]
            return list(self._machines)

    def note(self, address: str, answer: Reply | Unanswered) -> None:
        """Note what a machine says of itself, or that it says nothing."""
        with self._changed:
            machine = self._machines.get(address)
            if machine is None:
                return
            if isinstance(answer, Unanswered):
                if self._clock() - machine.heard_s > self._patience_s or machine.left:
                    self._set(machine, "silent", f"is silent: {answer}")
                return
            try:
                hello = decode(Hello, answer.said)
            except NotUnderstood as error:
                self._set(machine, "unfit", f"makes no sense: {error}")
                return
            machine.heard_s = self._clock()
            machine.hello, machine.name = hello, hello.name
            self._set(machine, "silent", "")
            self._set(machine, "unfit", self._find_unfit(hello, answer))
            self._changed.notify_all()

    def choose(self, stages: Collection[str], avoid: Collection[str]) -> Machine | None:
        """Take a slot of a machine that can do this and has one; None when none has.

        avoid: addresses of machines.
        """
        with self._changed:
            fit = [
                each
                for each in self._machines.values()
                if self._can(each, stages) and each.address not in avoid
            ]
            free = [
                each
                for each in fit
                if each.in_hand < each.slots and each.rests_until_s <= self._clock()
            ]
            if not free:
                return None
            best = max(free, key=lambda each: (each.slots - each.in_hand) / each.slots)
            best.in_hand += 1
            return best

    def has_able(self, stages: Collection[str], avoid: Collection[str]) -> bool:
        """Whether a machine can do this that only has no free slot now."""
        with self._changed:
            return any(
                self._can(each, stages)
                and each.address not in avoid
                and (not each.fault or each.rests_until_s <= self._clock())
                for each in self._machines.values()
            )

    def list_addresses(self) -> set[str]:
        """Return the addresses of all machines."""
        with self._changed:
            return set(self._machines)

    def give_back(self, machine: Machine) -> None:
        """Give a slot back."""
        with self._changed:
            machine.in_hand -= 1
            self._changed.notify_all()

    def wait(self, seconds: float) -> None:
        """Wait until something may have changed."""
        with self._changed:
            self._changed.wait(seconds)

    def wake(self) -> None:
        """Let those look again who wait."""
        with self._changed:
            self._changed.notify_all()

    def note_done(self, machine: Machine, megapixels: float, seconds: float) -> None:
        """Note that a machine has done what it should."""
        with self._changed:
            machine.done += 1
            machine.megapixels += megapixels
            machine.worked_s += seconds
            machine.faults = 0
            self._set(machine, "fault", "")

    def note_busy(self, machine: Machine) -> None:
        """Note that others have taken its slots."""
        with self._changed:
            machine.rests_until_s = self._clock() + _BUSY_S

    def note_fault(self, machine: Machine, what: str) -> None:
        """Note that a machine was lost or did what it should not: it rests."""
        with self._changed:
            machine.faults += 1
            rest_s = min(_LONGEST_REST_S, _REST_S * 2 ** (machine.faults - 1))
            machine.rests_until_s = self._clock() + rest_s
            self._set(machine, "fault", what)

    def count_slots(self) -> int:
        """Slots of machines that are asked for work."""
        with self._changed:
            now = self._clock()
            able = [each for each in self._machines.values() if self._can(each, ())]
            return sum(each.slots for each in able if not each.fault or each.rests_until_s <= now)

    def statuses(self, doing: Callable[[Machine], tuple[MachineJob, ...]]) -> list[MachineStatus]:
        """Say how each stands; doing: what it does for us."""
        with self._changed:
            machines = sorted(self._machines.values(), key=lambda each: (each.name, each.address))
        return [self._describe(each, doing(each)) for each in machines]

    def _describe(self, each: Machine, doing: tuple[MachineJob, ...]) -> MachineStatus:
        problem = each.silent or each.unfit or each.fault
        if each.fault and not (each.silent or each.unfit):
            rest_s = each.rests_until_s - self._clock()
            again = f"asked again in {rest_s:.0f} s" if rest_s > 0 else "asked again"
            problem = f"{each.fault}; {again}"
        lacks = [name for name, own in self._stages().items() if self._lacks(each, name, own)]
        return MachineStatus(
            name=each.name or "?",
            address=each.address,
            slots=each.slots,
            doing=doing,
            done=each.done,
            megapixels_per_minute=each.megapixels_per_minute,
            problem=problem,
            since=each.since if problem else "",
            remark=f"has not our stage {', '.join(lacks)}" if lacks and not each.unfit else "",
        )

    def _can(self, each: Machine, stages: Collection[str]) -> bool:
        """Whether a machine is there, and makes the same bytes as we do."""
        if each.hello is None or each.unfit or each.silent:
            return False
        if self._clock() - each.heard_s > self._patience_s:
            return False
        own = self._stages()
        return all(name in own and each.hello.stages.get(name) == own[name] for name in stages)

    @staticmethod
    def _lacks(each: Machine, name: str, own: str) -> bool:
        return each.hello is not None and each.hello.stages.get(name) != own

    def _find_unfit(self, hello: Hello, answer: Reply) -> str:
        if answer.peer is not None and answer.peer.name != hello.name:
            return f"calls itself {hello.name}, and its certificate {answer.peer.name}"
        twins = [
            each.address
            for each in self._machines.values()
            if each.name == hello.name and not each.left and not each.silent
        ]
        if len(twins) > 1:
            return f"has the name of another machine, at {' and '.join(twins)}"
        if hello.protocol != PROTOCOL or hello.build != self._build:
            ours = f"{self._version}, {self._build[:8]}"
            return (
                f"runs another version ({hello.version}, {hello.build[:8]}; here {ours}): install "
                "the same versions of hotfolder and its libraries there"
            )
        return ""

    def _set(self, machine: Machine, what: str, value: str) -> None:
        if value and not (machine.silent or machine.unfit or machine.fault):
            machine.since = format_time(datetime.now(UTC))
        setattr(machine, what, value)
