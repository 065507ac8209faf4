"""Acting on a signal without taking a lock in the thread that it interrupts."""

from __future__ import annotations

import queue
import signal
import threading
from collections.abc import Callable, Iterable
from types import FrameType


def stop_on(signals: Iterable[signal.Signals], stop: Callable[[], None]) -> None:
    """Call `stop`, once, when the first of these signals comes.

    A signal may come while its thread holds a lock of an event, or while the one before it is acted
    on: Ctrl-C comes twice, from the terminal and passed on. So the handler takes no lock, and
    another thread acts.

    Parameters
    ----------
    signals
        Numbers of signals.
    stop
        What to do, in a thread of its own.
    """
    asked: queue.SimpleQueue[int] = queue.SimpleQueue()

    def wait() -> None:
        asked.get()
        stop()

    def ask(number: int, _frame: FrameType | None) -> None:
        asked.put(number)

    threading.Thread(target=wait, name="stop", daemon=True).start()
    for each in signals:
        signal.signal(each, ask)
