"""Acts that may never come back, each in a thread of its own, and how long it has been silent.

A call on a share whose server is gone may wait for ever, and nothing can end it but the end of the
process. So whoever must not wait lets an `Errand` make the call and looks whether it is done. An
errand that works slowly shows signs of life (`beat`) from where bytes and names pass by; one that
shows none for a while is silent, and `Pulse.at` names the folder that it was at.
"""

from __future__ import annotations

import errno
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Final, Generic, TypeVar

_T = TypeVar("_T")

SILENT_S: Final = 10.0
"""After so many seconds without a sign of life it is said that something does not answer."""

LOOK_S: Final = 3.0
"""How long a command that only looks waits for folders to answer."""


class Pulse:
    """Signs of life of one thread; read by others.

    Attributes
    ----------
    at
        The folder that it turned to last; "" before the first.
    """

    def __init__(self) -> None:
        self.at = ""
        self._beat_s = self._at_disk_s = time.monotonic()
        self._is_paused = False

    def silent_s(self) -> float:
        """Seconds since the last sign of life; 0 while it is paused."""
        return 0.0 if self._is_paused else time.monotonic() - self._beat_s

    def at_disk_s(self) -> float:
        """Seconds since it was paused last, or began; 0 while it is paused."""
        return 0.0 if self._is_paused else time.monotonic() - self._at_disk_s

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Not at a disk, and no sign of life expected: it waits for a process."""
        self._is_paused = True
        try:
            yield
        finally:
            self._beat_s = self._at_disk_s = time.monotonic()
            self._is_paused = False

    def beat(self, at: str | Path | None = None) -> None:
        """Show a sign of life; `at`: before it turns to this folder."""
        self._beat_s = time.monotonic()
        if at is not None:
            self.at = str(at)


_own = threading.local()


def current() -> Pulse | None:
    """Return the pulse of this thread; None when nobody watches it."""
    return getattr(_own, "pulse", None)


def beat(at: str | Path | None = None) -> None:
    """Show a sign of life of this thread, if somebody watches it; `at` as for `Pulse.beat`."""
    pulse = current()
    if pulse is not None:
        pulse.beat(at)


class Errand(Generic[_T]):
    """An act in a thread of its own, which keeps no process from ending."""

    def __init__(
        self, name: str, act: Callable[[], _T], then: Callable[[], None] | None = None
    ) -> None:
        """Begin it; name: of the thread; then: called in it when the act has come back.

        Raises
        ------
        OSError
            When the system has no room for a thread.
        """
        self.pulse = Pulse()
        self._act = act
        self._then = then
        self._has_ended = threading.Event()
        self._answer: _T | None = None
        self._error: BaseException | None = None
        self.thread = threading.Thread(target=self._run, name=name, daemon=True)
        _begun.add(self.thread)
        try:
            self.thread.start()
        except RuntimeError as error:
            _begun.discard(self.thread)
            raise OSError(errno.EAGAIN, "no thread can be started") from error

    def is_done(self) -> bool:
        """Whether it has come back."""
        return self._has_ended.is_set()

    def wait(self, seconds: float) -> bool:
        """Wait for at most so long, in seconds; return whether it has come back."""
        return self._has_ended.wait(max(0.0, seconds))

    def answer(self) -> _T:
        """Return what the act has returned, or raise what it has raised; only when it is done."""
        if self._error is not None:
            raise self._error
        return self._answer  # type: ignore[return-value]

    def _run(self) -> None:
        _own.pulse = self.pulse
        try:
            self._answer = self._act()
        except BaseException as error:  # noqa: BLE001 - raised again by whoever asks
            self._error = error
        finally:
            _begun.discard(self.thread)
            self._has_ended.set()
            if self._then is not None:
                self._then()


_begun: set[threading.Thread] = set()


def left_behind() -> list[threading.Thread]:
    """Threads of errands that have not come back: the process must end without waiting for them."""
    return [thread for thread in list(_begun) if thread.is_alive()]


def within(seconds: float, acts: Mapping[str, Callable[[], _T]]) -> dict[str, _T]:
    """Do all these acts at once; return what those have returned that come back in time.

    Raises
    ------
    Exception
        What one of them has raised.
    """
    errands = {key: Errand(f"look {key}", act) for key, act in acts.items()}
    ends_at = time.monotonic() + seconds
    return {
        key: errand.answer()
        for key, errand in errands.items()
        if errand.wait(ends_at - time.monotonic())
    }
