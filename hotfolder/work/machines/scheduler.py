"""The scheduler: the place where machines join and where the daemon finds them.

It hands out nothing and sees no picture: the daemon asks the machines themselves. So of what the
library's scheduler can do it keeps what joining and finding need; what would have it run or
unpickle anything is taken away.
"""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Final

from distributed import Scheduler

from hotfolder.settings.engine import split_address
from hotfolder.work.machines.guard import load_guarded
from hotfolder.work.machines.security import load_security

_KEPT: Final = (
    "identity", "ping", "register-worker", "unregister", "heartbeat_worker", "connection_stream",
    "stream-start",
)  # fmt: skip


class _MeetingPlace(Scheduler):  # type: ignore[misc]
    def __init__(self, **options: object) -> None:
        super().__init__(extensions={}, **options)
        kept = {name: each for name, each in self.handlers.items() if name in _KEPT}
        self.handlers.clear()
        self.handlers.update(kept)

    def start_http_server(self, *_args: object, **_options: object) -> None:
        """Serve no pages: they would tell everybody what is being done."""


def run_scheduler(address: str, certificates: Path | None, say: Callable[[str], None]) -> None:
    """Be the scheduler at this address until SIGTERM or Ctrl-C.

    Raises
    ------
    SettingsError
        When the address cannot be used, or certificates are missing.
    OSError
        When nothing can listen there.
    """
    load_guarded()
    security = load_security(address, certificates)
    asyncio.run(_serve(address, security, say))


async def _serve(address: str, security: object, say: Callable[[str], None]) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    protocol, host, port = split_address(address)
    place = _MeetingPlace(
        protocol=protocol, host=host, port=port, security=security, dashboard=False
    )
    async with place:
        say(f"machines join at {place.address}")
        await stop.wait()
