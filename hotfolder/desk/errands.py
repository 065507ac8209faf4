"""Acts on disks and shares, away from the thread that answers: none of them keeps anybody waiting.

A share that hangs keeps its own request waiting, for a few seconds, and nobody else's. The thread
is left behind then (`hotfolder.disk.pulse`), and the process can end all the same.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from typing import Final, TypeVar
from weakref import WeakKeyDictionary

from hotfolder.disk.pulse import Errand
from hotfolder.errors import StorageError

_T = TypeVar("_T")

PATIENCE_S: Final = 15.0
"""How long a page waits for a disk, in seconds."""

_MOST_AT_ONCE = 32
_room: WeakKeyDictionary[asyncio.AbstractEventLoop, asyncio.Semaphore] = WeakKeyDictionary()


class NoAnswer(StorageError):
    """A disk or share has not answered in time."""


async def do(act: Callable[[], _T], patience_s: float = PATIENCE_S) -> _T:
    """Do something in a thread of its own and return what it returns, or raise what it raises.

    Raises
    ------
    NoAnswer
        When it has not come back in time, or too much is waiting already.
    """
    loop = asyncio.get_running_loop()
    room = _room.setdefault(loop, asyncio.Semaphore(_MOST_AT_ONCE))
    has_ended = asyncio.Event()

    def say() -> None:
        with contextlib.suppress(RuntimeError):  # nobody waits for it: the desk has ended
            loop.call_soon_threadsafe(has_ended.set)
            loop.call_soon_threadsafe(room.release)

    try:
        async with asyncio.timeout(patience_s):
            await room.acquire()
            try:
                errand = Errand("desk", act, say)
            except OSError:
                room.release()
                raise
            await has_ended.wait()
    except TimeoutError as error:
        raise NoAnswer(
            "A disk or share does not answer. Look again in a moment; if it stays so, check it."
        ) from error
    return errand.answer()
