"""When a file has finished arriving.

Three things are looked at, because each alone is wrong at times: that the file has not changed
for a while by our own clock (its times may be copied from elsewhere), that no program on this
machine has it open for writing, and that its container ends where it should (a file can have its
full size before its bytes).

Who has a file open is told to its owner and to root alone. Where nobody tells, how the file came is
the sign that is left: one that came with pauses is waited for three times as long as the longest of
them, and one that looks unfinished five times as long as where writers are seen.
"""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from enum import Enum

from hotfolder.disk.names import display_name
from hotfolder.disk.platforms import has_writer, open_beneath
from hotfolder.intake.scan import Candidate, Identity
from hotfolder.raster.complete import container_end

_LOOK_AGAIN_S = 1.0
_SHARE_OF_TIME = 20
_BUDGET_S = 1.0
"""So long, in seconds, an update looks into files at most; the others are for the next one."""
_PAUSES = 3
_BLIND_PATIENCE = 5


@dataclass(frozen=True)
class Unsettled:
    """Something that has not finished arriving."""

    name: str
    """Its relative path, fit for showing."""
    reason: str
    since_s: float
    """Seconds since it was first seen."""


class Arrival(Enum):
    """What a probe found."""

    WHOLE = "whole"
    OPEN = "open"
    UNFINISHED = "unfinished"
    CHANGED = "changed"
    GONE = "gone"


@dataclass(frozen=True)
class Probe:
    """What an open look at one file found."""

    state: Arrival
    reason: str = ""
    """A plain sentence, or ""."""
    is_blind: bool = False
    """Whether the system does not say who has the file open for writing."""


def probe(candidate: Candidate) -> Probe:
    """Open a file that has been quiet, and look whether it is whole and left alone.

    Opening it also makes a network file system ask its server what the file is now.
    """
    try:
        folder = os.open(candidate.folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
        try:
            flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0)
            file = open_beneath(folder, candidate.relative, flags)
        finally:
            os.close(folder)
        try:
            return _probe_open(file, candidate)
        finally:
            os.close(file)
    except FileNotFoundError:
        return Probe(Arrival.GONE)
    except OSError as error:
        if error.errno in {errno.ELOOP, errno.ENOTDIR, errno.EXDEV}:
            return Probe(Arrival.CHANGED)  # a link has taken its place since the scan
        return Probe(Arrival.UNFINISHED, f"The file cannot be read: {error.strerror or error}.")


def _probe_open(file: int, candidate: Candidate) -> Probe:
    found = os.fstat(file)
    now = Identity(found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns)
    if now != candidate.identity:
        return Probe(Arrival.CHANGED)
    writer = has_writer(file)
    if writer:
        return Probe(Arrival.OPEN, "Another program still has the file open for writing.")
    end, is_blind = container_end(file), writer is None
    if end.complete:
        return Probe(Arrival.WHOLE, is_blind=is_blind)
    return Probe(Arrival.UNFINISHED, end.reason, is_blind)


@dataclass(frozen=True)
class _Seen:
    """One candidate over time; all times by our own clock, in seconds.

    due: when it is worth a look again; infinite once it is ready.
    """

    candidate: Candidate
    first_s: float
    changed_s: float
    due_s: float
    reason: str
    pause_s: float = 0.0
    """The longest between two changes that we saw."""


@dataclass(frozen=True)
class _Look:
    """What a look into a file has found, and how long that is believed while nothing changes."""

    found: Probe
    until_s: float


_ARRIVING = "The file is still arriving, or was changed a moment ago."
_PAUSED = (
    "The file came with pauses, and the system does not say whether its sender still writes to it."
)
_READY_S = float("inf")


class Settler:
    """Tells what of a hot folder has finished arriving, and says why the rest waits.

    Fed with every scan (`update`). It remembers what it has seen until that is gone from a scan
    or is forgotten, so a share that goes away and returns does not make its files new.

    What a sender can cost is bounded: an update looks into files for about a second, those that
    have waited longest first; a file that is costly to look into is looked into the less often;
    and one file under two hundred names is one file.

    Parameters
    ----------
    quiet_s
        How long nothing must change, in seconds since we saw the last change.
    patience_s
        How long to wait, since the last change, for a file that has no end or cannot be read. It
        is ready then all the same: the reader says what is wrong with it. A file that a program
        still has open is waited for without limit.
    clock
        Seconds that never run backwards.
    look
        What finds out whether a quiet file is whole.
    """

    def __init__(
        self,
        quiet_s: float,
        patience_s: float,
        clock: Callable[[], float] = time.monotonic,
        look: Callable[[Candidate], Probe] = probe,
    ) -> None:
        self._quiet_s = quiet_s
        self._patience_s = patience_s
        self._clock = clock
        self._look = look
        self._seen: dict[str, _Seen] = {}
        self._looked: dict[Identity, _Look] = {}

    def update(self, candidates: Iterable[Candidate]) -> list[Candidate]:
        """Take in what a scan found and return what is ready, the longest known first.

        What is ready is returned again by every update until it has gone or has changed.
        """
        now = self._clock()
        seen = {each.relative: self._aged(each, now) for each in candidates}
        self._looked = {
            identity: look for identity, look in self._looked.items() if now < look.until_s
        }
        for name in sorted(
            (name for name, entry in seen.items() if entry.due_s <= now),
            key=lambda name: seen[name].due_s,
        ):
            if self._clock() >= now + _BUDGET_S:
                break
            judged = self._judged(seen[name], now)
            if judged is None:
                del seen[name]
            else:
                seen[name] = judged
        self._seen = seen
        ready = [entry for entry in seen.values() if entry.due_s == _READY_S]
        return [entry.candidate for entry in sorted(ready, key=lambda entry: entry.first_s)]

    def forget(self, candidate: Candidate) -> None:
        """Drop what was taken; another file under the same name starts anew."""
        self._seen.pop(candidate.relative, None)

    def waiting(self) -> list[Unsettled]:
        """What is not ready and why, the longest waiting first."""
        now = self._clock()
        # another thread may be asking, while this one forgets
        entries = [entry for entry in list(self._seen.values()) if entry.due_s != _READY_S]
        return [
            Unsettled(display_name(entry.candidate.relative), entry.reason, now - entry.first_s)
            for entry in sorted(entries, key=lambda entry: entry.first_s)
        ]

    def next_check_s(self) -> float | None:
        """Seconds until something could become ready, at least 0; None when nothing waits."""
        due = min((entry.due_s for entry in list(self._seen.values())), default=_READY_S)
        return None if due == _READY_S else max(0.0, due - self._clock())

    def _aged(self, candidate: Candidate, now: float) -> _Seen:
        entry = self._seen.get(candidate.relative)
        if entry is None:
            return self._changed(candidate, now)
        if entry.candidate.identity != candidate.identity or entry.candidate.kind != candidate.kind:
            return self._changed(candidate, now, entry)
        return replace(entry, candidate=candidate)

    def _judged(self, entry: _Seen, now: float) -> _Seen | None:
        """Look into a file that has been quiet; once ready it stays so until it changes."""
        if entry.candidate.kind != "file":
            return replace(entry, due_s=_READY_S)
        found, again = self._look_into(entry.candidate)
        patience_s = self._patience_s * (_BLIND_PATIENCE if found.is_blind else 1)
        patience_ends = entry.changed_s + patience_s
        calm_at = entry.changed_s
        if found.is_blind:
            calm_at += min(_PAUSES * entry.pause_s, patience_s)
        match found.state:
            case Arrival.WHOLE if now < calm_at:
                return replace(entry, due_s=calm_at, reason=_PAUSED)
            case Arrival.WHOLE:
                return replace(entry, due_s=_READY_S)
            case Arrival.OPEN:
                return replace(entry, due_s=again, reason=found.reason)
            case Arrival.UNFINISHED if now >= patience_ends:
                return replace(entry, due_s=_READY_S)
            case Arrival.UNFINISHED:
                return replace(entry, due_s=min(again, patience_ends), reason=found.reason)
            case Arrival.CHANGED:
                return self._changed(entry.candidate, now, entry)
            case Arrival.GONE:
                return None

    def _look_into(self, candidate: Candidate) -> tuple[Probe, float]:
        """Look into a file, or recall what another of its names has shown; and when again."""
        known = self._looked.get(candidate.identity)
        if known is not None:
            return known.found, known.until_s
        started = self._clock()
        found = self._look(candidate)
        ended = self._clock()
        again = started + max(_LOOK_AGAIN_S, self._quiet_s, _SHARE_OF_TIME * (ended - started))
        if found.state in {Arrival.OPEN, Arrival.UNFINISHED}:
            self._looked[candidate.identity] = _Look(found, again)
        return found, again

    def _changed(self, candidate: Candidate, now: float, before: _Seen | None = None) -> _Seen:
        first_s = before.first_s if before else now
        pause_s = max(before.pause_s, now - before.changed_s) if before else 0.0
        return _Seen(candidate, first_s, now, now + self._quiet_s, _ARRIVING, pause_s)
