"""What our own storage keeps waiting, and the one rule by which it is tried again.

Whatever failed is remembered until it has been done: what it is about, what was in the way, since
when, and when it is next. Things of a kind in one destination that fail for the same cause wait
*together*: while they wait, one of them, the one that was not tried for longest, is tried at a
time, and each time in vain makes the wait of all of them longer. Eight hundred jobs that wait for
one share cost one look per wait. As soon as one succeeds, all others may be tried at once.

A sweep ends when nothing is left that it waits for; that rule stands in `Troubles.hold_a_sweep`.
"""

from __future__ import annotations

import errno
import threading
import time
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from hotfolder.errors import StorageError
from hotfolder.logs import get_log, utc_now

_RETRY_S = (1.0, 2.0, 5.0, 10.0, 30.0, 60.0)
_LONGEST_FOR_A_LOOK_S = 10.0
"""The longest wait of what costs no more than a look: who has mended a folder, or brought it back,
sees whether it goes on."""
_SWEEP_TRIES = 3


class Kind(StrEnum):
    """What it is that cannot be done."""

    LEDGER = "ledger"
    """Nothing at all can be done: the ledger, or a folder of the root, cannot be used."""
    CLAIMS = "claims"
    """Nothing can be taken in for a destination."""
    CLAIM = "claim"
    """A claim cannot be gone on with that was begun in an earlier hot folder of a destination."""
    FILE = "file"
    """One file cannot be taken out of its hot folder."""
    HELD = "held"
    """Nobody can see which held jobs of a destination a person has given up."""
    BATCH_FILE = "batch file"
    """A file that was taken in cannot be put where its batch keeps it."""
    BATCH = "batch"
    """What a batch's ticket no longer asks for cannot be set aside."""
    JOB = "job"
    """A job cannot be worked on, or its end cannot be written."""
    STRAY = "stray jobs"
    """Jobs whose destination's settings are wrong or have gone: only a person can mend that."""

    @property
    def longest_wait_s(self) -> float:
        """The most seconds from one try to the next; others do work that may be in vain."""
        is_a_look = self in (Kind.CLAIMS, Kind.HELD, Kind.LEDGER)
        return min(_LONGEST_FOR_A_LOOK_S, _RETRY_S[-1]) if is_a_look else _RETRY_S[-1]


@dataclass(frozen=True)
class About:
    """What is in trouble."""

    kind: Kind
    destination: str = ""
    """Its name; "" for what concerns all of them."""
    name: str = ""
    """The job, or the file's path below its hot folder; "" for what concerns no single one."""

    def __str__(self) -> str:
        return ": ".join(filter(None, (self.kind.value, self.destination, self.name)))


@dataclass(frozen=True)
class Trouble:
    """Something that waits for our own storage."""

    about: About
    message: str
    """What is in the way, as a sentence for people."""
    since: str
    """UTC, when it failed first."""
    tries: int
    """How often it was tried in vain, at least 1."""
    next_try_s: float
    """When it, or another that waits for the same, is tried; on the clock of `Troubles`."""
    cause: str
    """A word that is the same for all that fail alike."""
    tried_s: float
    """When it was tried last."""


@dataclass
class _Queue:
    """Those that wait together."""

    longest_s: float
    """From one try to the next."""
    members: int = 0
    tries: int = 0
    """Of any of them in vain, since one has succeeded."""
    next_try_s: float = 0.0
    probe: About | None = None
    """The one that is being tried."""

    @property
    def is_open(self) -> bool:
        """Whether one of them has succeeded, so that all of them may be tried."""
        return self.tries == 0

    def may_go_on(self, now: float) -> bool:
        """Whether one of them, or all, may be tried now."""
        return self.is_open or (self.probe is None and self.next_try_s <= now)

    def put_off(self, now: float) -> None:
        """Let all of them wait, the longer the more often it was in vain."""
        wait_s = _RETRY_S[min(max(self.tries, 1), len(_RETRY_S)) - 1]
        self.next_try_s = now + min(wait_s, self.longest_s)


_Key = tuple[Kind, str, str]
"""Kind, destination and cause."""


class Troubles:
    """All that is in trouble now; safe to use from several threads.

    Parameters
    ----------
    clock
        Seconds that never run backwards.
    """

    def __init__(
        self,
        clock: Callable[[], float] = time.monotonic,
        fill_in: Callable[[str], str] = lambda message: message,
    ) -> None:
        """Prepare; fill_in: names the root in what is said."""
        self._clock = clock
        self._fill_in = fill_in
        self._lock = threading.RLock()
        self._troubles: dict[About, Trouble] = {}
        self._queues: dict[_Key, _Queue] = {}

    # what happened

    def begin(self, about: About) -> None:
        """Something is tried now: nothing that waits for the same is tried beside it."""
        with self._lock:
            trouble = self._troubles.get(about)
            if trouble is None:
                return
            self._troubles[about] = replace(trouble, tried_s=self._clock())
            queue = self._queues[_key(trouble)]
            if not queue.is_open:
                queue.probe = about

    def note(self, about: About, error: StorageError) -> None:
        """Remember that something failed; it is logged when it is new."""
        with self._lock:
            now, before = self._clock(), self._troubles.get(about)
            message = self._fill_in(str(error))
            since, tries = (before.since, before.tries + 1) if before else (utc_now(), 1)
            trouble = Trouble(about, message, since, tries, 0.0, cause_of(error), now)
            if before is not None and before.cause != trouble.cause:
                self._leave(before, in_vain=True)
            if before is None or before.cause != trouble.cause:
                queue = self._queues.setdefault(_key(trouble), _Queue(about.kind.longest_wait_s))
                queue.members += 1
                if queue.members == 1:
                    queue.tries = (
                        tries - 1
                    )  # who fails each time for another cause waits longer too
            self._troubles[about] = trouble
            self._failed(self._queues[_key(trouble)], about, now)
        if before is None or before.message != message:
            get_log().error("storage.trouble", about=str(about), reason=message)

    def clear(self, about: About) -> None:
        """Something has been done: what waited for the same may be tried at once."""
        with self._lock:
            trouble = self._troubles.pop(about, None)
            if trouble is not None:
                queue = self._queues[_key(trouble)]
                self._leave(trouble, in_vain=False)
                queue.tries, queue.next_try_s, queue.probe = 0, self._clock(), None

    def keep_only(self, kind: Kind, destination: str, names: Collection[str]) -> None:
        """Forget what is not there any more: of this kind, only `names` still are."""
        with self._lock:
            for about, trouble in list(self._troubles.items()):
                mine = (about.kind, about.destination) == (kind, destination)
                if mine and about.name not in names:
                    del self._troubles[about]
                    self._leave(trouble, in_vain=True)

    def hurry(self, kind: Kind, destination: str) -> None:
        """Let what waits be tried now: something has begun that it may have waited for."""
        with self._lock:
            for key, queue in self._queues.items():
                if key[:2] == (kind, destination):
                    queue.next_try_s = min(queue.next_try_s, self._clock())

    # what to do

    def choose(self, kind: Kind, destination: str, names: Sequence[str]) -> list[str]:
        """Of all that could be done now, by name, return what should be tried now, in its order.

        Call it when something could be begun, with everything that could: where it is time to
        try one of those that wait together, and none of them is among `names`, they wait on, for
        long; see `hurry`.
        """
        with self._lock:
            now = self._clock()
            due = {
                key: queue
                for key, queue in self._queues.items()
                if key[:2] == (kind, destination) and queue.may_go_on(now)
            }
            chosen: list[Trouble | str] = []
            probes: dict[_Key, Trouble] = {}
            for name in names:
                trouble = self._troubles.get(About(kind, destination, name))
                if trouble is None:
                    chosen.append(name)
                elif _key(trouble) in due:
                    chosen.append(trouble)
                    best = probes.setdefault(_key(trouble), trouble)
                    if trouble.tried_s < best.tried_s:
                        probes[_key(trouble)] = trouble
            for key, queue in due.items():
                if key not in probes and queue.next_try_s <= now:
                    queue.next_try_s = now + queue.longest_s
            return [
                each if isinstance(each, str) else each.about.name
                for each in chosen
                if isinstance(each, str) or due[_key(each)].is_open or probes[_key(each)] is each
            ]

    def may_try(self, kind: Kind, destination: str = "", name: str = "") -> bool:
        """Whether one thing that could be done should be tried now."""
        return bool(self.choose(kind, destination, (name,)))

    def waiting(self, kind: Kind, destination: str) -> set[str]:
        """Names of what waits and is certainly not tried now."""
        with self._lock:
            now = self._clock()
            return {
                about.name
                for about, trouble in self._troubles.items()
                if (about.kind, about.destination) == (kind, destination)
                and not self._queues[_key(trouble)].may_go_on(now)
            }

    def next_try_s(self, kind: Kind, destination: str = "") -> float | None:
        """When something of a kind is tried next; None when nothing waits for a time to come."""
        with self._lock:
            return min(
                (
                    queue.next_try_s
                    for key, queue in self._queues.items()
                    if key[:2] == (kind, destination) and queue.probe is None
                ),
                default=None,
            )

    # what is said

    def has(self, kind: Kind, destination: str = "", name: str = "") -> bool:
        """Whether something is in trouble."""
        return About(kind, destination, name) in self._troubles

    def names(self, kind: Kind, destination: str) -> set[str]:
        """Names of all of a kind that are in trouble."""
        with self._lock:
            return {
                about.name
                for about in self._troubles
                if (about.kind, about.destination) == (kind, destination)
            }

    def all(self) -> list[Trouble]:
        """What is in trouble, in the order in which it came."""
        with self._lock:
            return [
                replace(trouble, next_try_s=self._queues[_key(trouble)].next_try_s)
                for trouble in self._troubles.values()
            ]

    def hold_a_sweep(
        self, *, unreachable: Collection[str] = (), resting: Iterable[About] = ()
    ) -> list[Trouble]:
        """Return what a sweep still waits for.

        A sweep does not wait for a disk to be mended: what waits together is tried a few times in
        vain, then the sweep ends and says so. It waits for nothing that is not tried at all: the
        files of a hot folder that has gone, or from which nothing can be taken now, jobs that
        rest, and jobs whose destinations are not served.

        Parameters
        ----------
        unreachable
            Destinations whose hot folders have gone.
        resting
            Jobs that wait for their destinations' hours.
        """
        with self._lock:
            rest = set(resting)
            shut = {each.destination for each in self._troubles if each.kind is Kind.CLAIMS}
            not_tried = {Kind.CLAIM: shut, Kind.FILE: shut | {*unreachable}}
            return [
                trouble
                for about, trouble in self._troubles.items()
                if about not in rest
                and about.kind is not Kind.STRAY
                and about.destination not in not_tried.get(about.kind, ())
                and not self._lasts(trouble)
            ]

    def _lasts(self, trouble: Trouble) -> bool:
        queue = self._queues[_key(trouble)]
        if queue.is_open or queue.probe is not None:
            return False
        return max(queue.tries, trouble.tries) >= _SWEEP_TRIES

    def _failed(self, queue: _Queue, about: About, now: float) -> None:
        """One of those that wait together has failed; who fails beside it does not count twice."""
        if queue.probe == about:
            queue.probe = None
        if queue.is_open or queue.next_try_s <= now:
            queue.tries += 1
            queue.put_off(now)

    def _leave(self, trouble: Trouble, *, in_vain: bool) -> None:
        """Something waits no longer with those that it waited with."""
        queue = self._queues[_key(trouble)]
        if in_vain:
            if queue.probe == trouble.about:
                self._failed(queue, trouble.about, self._clock())
        elif queue.probe == trouble.about:
            queue.probe = None
        queue.members -= 1
        if queue.members == 0:
            del self._queues[_key(trouble)]


def cause_of(error: BaseException) -> str:
    """Name what was in the way, the same for all that fail alike, whichever file it was about."""
    below = error.__cause__
    if isinstance(below, OSError) and below.errno:
        return errno.errorcode.get(below.errno, str(below.errno))
    return type(below or error).__name__


def _key(trouble: Trouble) -> _Key:
    return trouble.about.kind, trouble.about.destination, trouble.cause
