"""The daemon's line to the scheduler and to machines: questions with a deadline."""

from __future__ import annotations

import asyncio
import concurrent.futures
import contextlib
import threading
from collections.abc import Coroutine, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol, TypeVar

from hotfolder.settings.engine import check_security
from hotfolder.work.machines.security import Peer

_T = TypeVar("_T")
_CONNECTIONS: Final = 4096
_GRACE_S: Final = 5.0
_MOST_MACHINES: Final = 10_000


class Unanswered(Exception):
    """A machine or the scheduler has given no answer that can be read; says why."""


@dataclass(frozen=True)
class Reply:
    """What a machine has answered, and who it is by its certificate."""

    said: bytes
    peer: Peer | None = None
    """None without certificates."""


class Asking(Protocol):
    """Asks machines; a test has one of its own."""

    def find(self, scheduler: str, deadline_s: float) -> list[str]:
        """Return the addresses of machines that have joined."""

    def ask(
        self, address: str, what: str, said: bytes, deadline_s: float, data: bytes = b""
    ) -> Reply:
        """Ask one machine."""

    def ask_all(
        self, questions: Mapping[str, bytes], what: str, deadline_s: float
    ) -> dict[str, Reply | Unanswered]:
        """Ask several machines at once, each its question."""

    def close(self) -> None:
        """Close all connections."""


class Line:
    """Connections of this process, which live in a thread of their own."""

    def __init__(self, scheduler: str, certificates: Path | None) -> None:
        """Begin; no one is asked yet.

        Raises
        ------
        SettingsError
            When the address cannot be used, or certificates are missing.
        """
        from hotfolder.work.machines.guard import SERIALIZERS, load_guarded
        from hotfolder.work.machines.security import load_security

        load_guarded()
        from distributed.core import ConnectionPool

        self._is_tls = certificates is not None
        security = load_security(scheduler, certificates)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="engine", daemon=True)
        self._thread.start()
        self._pool: Any = self._do(
            _make(
                ConnectionPool,
                limit=_CONNECTIONS,
                serializers=SERIALIZERS,
                deserializers=SERIALIZERS,
                connection_args=security.get_connection_args("client"),
                timeout=10,
            ),
            _GRACE_S,
        )

    def find(self, scheduler: str, deadline_s: float) -> list[str]:
        """Return the addresses of machines that have joined.

        Raises
        ------
        Unanswered
            When the scheduler does not answer, or makes no sense.
        """
        said, peer = self._do(self._send(scheduler, "identity", {}, deadline_s), deadline_s)
        if self._is_tls and (peer is None or peer.role != "scheduler"):
            raise Unanswered("what answers there has no scheduler's certificate")
        machines = said.get("workers") if isinstance(said, dict) else None
        if not isinstance(machines, dict) or len(machines) > _MOST_MACHINES:
            raise Unanswered("the scheduler says nothing of machines")
        return sorted(address for address in machines if self._may_be_asked(address))

    def ask(
        self, address: str, what: str, said: bytes, deadline_s: float, data: bytes = b""
    ) -> Reply:
        """Ask one machine.

        Raises
        ------
        Unanswered
            When no answer comes within the deadline, or none that is read.
        """
        message = {"said": said, "data": data}
        answer, peer = self._do(self._send(address, what, message, deadline_s), deadline_s)
        return self._check(answer, peer)

    def ask_all(
        self, questions: Mapping[str, bytes], what: str, deadline_s: float
    ) -> dict[str, Reply | Unanswered]:
        """Ask several machines at once, each its question."""

        async def ask_each() -> list[tuple[object, Peer | None] | BaseException]:
            asked = [
                self._send(address, what, {"said": said, "data": b""}, deadline_s)
                for address, said in questions.items()
            ]
            return list(await asyncio.gather(*asked, return_exceptions=True))

        found: dict[str, Reply | Unanswered] = {}
        for address, answer in zip(questions, self._do(ask_each(), deadline_s), strict=True):
            try:
                if isinstance(answer, BaseException):
                    raise answer
                found[address] = self._check(*answer)
            except Unanswered as error:
                found[address] = error
        return found

    def close(self) -> None:
        """Close all connections."""
        with contextlib.suppress(Unanswered):  # they end with the process
            self._do(self._pool.close(), _GRACE_S)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(_GRACE_S)
        if not self._thread.is_alive():
            self._loop.close()

    def _may_be_asked(self, address: object) -> bool:
        """Whether pictures may be sent there: the scheduler may name any address."""
        try:
            check_security(str(address), has_certificates=self._is_tls)
        except ValueError:
            return False
        return True

    def _check(self, answer: object, peer: Peer | None) -> Reply:
        if self._is_tls and (peer is None or peer.role != "machine"):
            raise Unanswered("what answers there has no machine's certificate")
        if not isinstance(answer, bytes | bytearray | memoryview):
            raise Unanswered("it answers something that is none of our messages")
        return Reply(bytes(answer), peer)

    def _do(self, work: Coroutine[object, object, _T], deadline_s: float) -> _T:
        try:
            future = asyncio.run_coroutine_threadsafe(work, self._loop)
        except RuntimeError as error:
            work.close()
            raise Unanswered("the daemon asks no one any more") from error
        try:
            return future.result(deadline_s + _GRACE_S)
        except concurrent.futures.TimeoutError as error:
            future.cancel()
            raise Unanswered("it does not answer") from error

    async def _send(
        self, address: str, what: str, message: Mapping[str, object], deadline_s: float
    ) -> tuple[object, Peer | None]:
        from distributed.core import send_recv

        from hotfolder.work.machines.guard import SERIALIZERS
        from hotfolder.work.machines.security import read_peer

        try:
            async with asyncio.timeout(deadline_s):
                connection = await self._pool.connect(address)
                try:
                    answer = await send_recv(
                        connection,
                        op=what,
                        serializers=SERIALIZERS,
                        deserializers=SERIALIZERS,
                        **message,
                    )
                    peer = read_peer(connection.extra_info)
                finally:
                    self._pool.reuse(address, connection)
        except TimeoutError as error:
            raise Unanswered("it does not answer") from error
        except Exception as error:
            # a stranger's bytes make the library raise anything; none of it is our mistake
            raise Unanswered(_describe(error)) from error
        return answer, peer


async def _make(kind: Any, **options: Any) -> Any:
    """Make what belongs to the thread's loop."""
    pool = kind(**options)
    await pool.start()
    return pool


def _describe(error: BaseException) -> str:
    """Say in a line why there is no answer: by the first cause, which is nearest to the wire."""
    while error.__cause__ is not None:
        error = error.__cause__
    said = str(error).partition("\n")[0]
    return f"{type(error).__name__}: {said}"[:300] if said else type(error).__name__
