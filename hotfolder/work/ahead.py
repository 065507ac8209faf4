"""Doing the next part while this one is used: an iterator that a thread keeps one step ahead.

Stages that pull each other in one thread leave the other cores idle whenever one of them reads,
writes, or does something that cannot be shared out. A thread between two of them lets both work.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Generic, TypeVar

Part = TypeVar("Part")


@dataclass(frozen=True)
class _Made(Generic[Part]):
    part: Part


@dataclass(frozen=True)
class _Ended:
    error: BaseException | None


@contextlib.contextmanager
def one_ahead(source: Iterable[Part], name: str) -> Iterator[Iterator[Part]]:
    """Iterate over `source` in a thread that is at most one part ahead of who asks.

    What the source raises is raised where its next part is asked for. The thread has ended when
    the block is left, however it is left; a source that is a generator is closed in the thread.

    Parameters
    ----------
    name
        Of the thread, for whoever looks at the threads of a worker.
    """
    ready: queue.Queue[_Made[Part] | _Ended] = queue.Queue(1)
    unwanted = threading.Event()

    def work() -> None:
        error: BaseException | None = None
        try:
            for part in source:
                ready.put(_Made(part))
                if unwanted.is_set():
                    break
        except BaseException as caught:  # noqa: BLE001 - raised again by who asks
            error = caught
        finally:
            close = getattr(source, "close", None)
            if close is not None:
                close()
        ready.put(_Ended(error))

    def parts() -> Iterator[Part]:
        while True:
            found = ready.get()
            if isinstance(found, _Ended):
                ready.put(_Ended(None))
                if found.error is not None:
                    raise found.error
                return
            yield found.part

    thread = threading.Thread(target=work, name=name, daemon=True)
    thread.start()
    try:
        yield parts()
    finally:
        unwanted.set()
        while thread.is_alive():
            with contextlib.suppress(queue.Empty):
                ready.get(timeout=0.01)
        thread.join()
