"""A machine that works for a daemon elsewhere: what `hotfolder worker` runs.

It joins a scheduler, by which the daemon finds it, and answers the daemon's questions itself (those
of `hotfolder.work.machines.messages`). It runs no task of the scheduler's: of the library's own
requests it answers those alone that finding each other needs. When the scheduler goes, it joins
again as soon as there is one; the daemon asks on meanwhile, and what it works on goes on.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
from collections.abc import Awaitable, Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Final, Protocol, TypeVar

from distributed import Worker
from distributed.core import Server
from pydantic import BaseModel, TypeAdapter, ValidationError

from hotfolder.disk import platforms, processes
from hotfolder.errors import Problem, SettingsError, StorageError
from hotfolder.settings.engine import check_security, split_address
from hotfolder.stages.registry import load_registry
from hotfolder.work.machines.build import hash_build, hash_stages
from hotfolder.work.machines.certificates import read_name
from hotfolder.work.machines.guard import load_guarded
from hotfolder.work.machines.messages import (
    PROTOCOL,
    Fetch,
    Hello,
    MachineName,
    NotUnderstood,
    Piece,
    Question,
    TryOrder,
    decode,
    encode,
)
from hotfolder.work.machines.security import load_security, read_peer
from hotfolder.work.machines.tries import Run, Tries
from hotfolder.work.worker import end_spare, keep_spare, run_attempt

_Model = TypeVar("_Model", bound=BaseModel)
_AGAIN_S: Final = 1.0
_LOOK_EVERY_S: Final = 1.0
_KEPT: Final = ("identity", "ping", "connection_stream")
"""What the library's own machines answer and ours does too, on loopback."""


class Connection(Protocol):
    """The library's connection to who asks."""

    extra_info: Mapping[str, object]
    """With TLS, also the asker's certificate."""


@dataclass(frozen=True)
class Options:
    """How a machine joins, and with what."""

    address: str
    """Of the scheduler."""
    folder: Path
    """Where it works; one process at a time."""
    name: str = ""
    """What it is called; by default as its certificate says, else as the system does."""
    slots: int = 0
    """How many pictures it works on at once; 0: as many as there are cores."""
    listen: str = ""
    """Host, or host and port, where the daemon reaches it; by default the one that leads to the
    scheduler."""
    certificates: Path | None = None
    plugins: Path | None = None
    """A folder of stages, as a root's plugins/."""
    shared: Path | None = None
    """A folder that the daemon's machine has under the same path: originals in it are not sent."""


class Machine:
    """Answers what a daemon asks."""

    def __init__(self, options: Options, run: Run = run_attempt) -> None:
        """Prepare.

        Raises
        ------
        SettingsError
            For a name that cannot be used.
        StorageError
            When another process works in the folder, or it cannot be written to.
        PluginError
            When a stage cannot be loaded.
        """
        plugins = options.plugins or options.folder / "plugins"
        self._stages = hash_stages(load_registry(plugins))
        self._is_tls = options.certificates is not None
        self.name = _check_name(options.name or socket.gethostname().partition(".")[0])
        try:
            options.folder.mkdir(0o700, parents=True, exist_ok=True)
            self._release = platforms.lock_folder(options.folder)
            if self._release is None:
                raise StorageError(f"another process works in {options.folder}; give --folder")
            slots = options.slots or processes.cpu_count()
            self.tries = Tries(options.folder, slots, plugins, options.shared, run)
        except OSError as error:
            raise StorageError(f"{options.folder} cannot be used: {error}") from error

    def close(self) -> None:
        """End what runs."""
        self.tries.close()
        if self._release is not None:
            self._release()

    def handlers(self) -> dict[str, Callable[..., Awaitable[bytes]]]:
        """Return what answers each request, by its name."""
        return {
            "hotfolder_hello": self._hello,
            "hotfolder_begin": self._begin,
            "hotfolder_put": self._put,
            "hotfolder_ask": self._ask,
            "hotfolder_fetch": self._fetch,
            "hotfolder_end": self._end,
        }

    async def _hello(self, comm: Connection, said: bytes = b"", data: bytes = b"") -> bytes:
        if not self._may(comm):
            return b""
        doing = self.tries.doing()
        return encode(
            Hello(
                protocol=PROTOCOL,
                name=self.name,
                version=version("hotfolder"),
                build=hash_build(),
                stages=self._stages,
                slots=self.tries.slots,
                taken=len(doing),
                doing=doing,
            )
        )

    async def _begin(self, comm: Connection, said: bytes = b"", data: bytes = b"") -> bytes:
        order = self._read(comm, TryOrder, said)
        return encode(await asyncio.to_thread(self.tries.begin, order)) if order else b""

    async def _put(self, comm: Connection, said: bytes = b"", data: bytes = b"") -> bytes:
        piece = self._read(comm, Piece, said)
        return encode(await asyncio.to_thread(self.tries.put, piece, data)) if piece else b""

    async def _ask(self, comm: Connection, said: bytes = b"", data: bytes = b"") -> bytes:
        question = self._read(comm, Question, said)
        return encode(await asyncio.to_thread(self.tries.ask, question)) if question else b""

    async def _fetch(self, comm: Connection, said: bytes = b"", data: bytes = b"") -> bytes:
        fetch = self._read(comm, Fetch, said)
        return await asyncio.to_thread(self.tries.fetch, fetch) if fetch else b""

    async def _end(self, comm: Connection, said: bytes = b"", data: bytes = b"") -> bytes:
        question = self._read(comm, Question, said)
        if question:
            await asyncio.to_thread(self.tries.end, question.token)
        return b""

    def _read(self, comm: Connection, model: type[_Model], said: bytes) -> _Model | None:
        """Read what is asked; None when it is none of ours, or the asker is no daemon."""
        if not self._may(comm):
            return None
        try:
            return decode(model, said)
        except NotUnderstood:
            return None

    def _may(self, comm: Connection) -> bool:
        """Whether this may give orders: with certificates, a daemon alone."""
        if not self._is_tls:
            return True
        peer = read_peer(comm.extra_info)
        return peer is not None and peer.role == "daemon"


class _Joined(Worker):  # type: ignore[misc]
    """The library's part of a machine: it joins, shows signs of life, and runs nothing."""

    def __init__(self, scheduler: str, **options: object) -> None:
        super().__init__(scheduler, **options)
        kept = {name: each for name, each in self.handlers.items() if name in _KEPT}
        self.handlers.clear()
        self.handlers.update(kept)

    async def plugin_add(self, *_args: object, **_options: object) -> dict[str, str]:
        """Take no plugin: a scheduler that is none of ours sends some as pickles."""
        return {"status": "OK"}

    def start_http_server(self, *_args: object, **_options: object) -> None:
        """Serve no pages: they would tell everybody what is being done."""


def run_machine(options: Options, say: Callable[[str], None]) -> None:
    """Work for whoever asks by this scheduler, until SIGTERM or Ctrl-C.

    Raises
    ------
    SettingsError
        When the address cannot be used, or certificates are missing.
    StorageError
        When the folder cannot be used.
    """
    load_guarded()
    load_security(options.address, options.certificates)
    if options.listen:
        _find_place(options)
    if options.certificates is not None:
        options = replace(options, name=read_name(options.certificates))
    machine = Machine(options)
    try:
        keep_spare()
        asyncio.run(_serve(machine, options, say))
    finally:
        machine.close()
        end_spare()


async def _serve(machine: Machine, options: Options, say: Callable[[str], None]) -> None:
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    # each try is asked about by a question that waits
    loop.set_default_executor(ThreadPoolExecutor(2 * machine.tries.slots + 8))
    leases = asyncio.create_task(_watch_leases(machine, say))
    answering = _Answering(machine, options)
    try:
        said = ""
        while not stop.is_set():
            try:
                await answering.begin()
                await _join(machine, options, answering.address, stop, say)
                said = ""
            except (OSError, ValueError, TimeoutError, RuntimeError) as error:
                if said != str(error):
                    say(f"cannot join {options.address}: {error}; it is tried again")
                said = str(error)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), _AGAIN_S)
    finally:
        leases.cancel()
        await answering.end()


class _Answering:
    """Where the daemon asks; stays while the scheduler goes and comes."""

    def __init__(self, machine: Machine, options: Options) -> None:
        self._machine = machine
        self._options = options
        self._host = ""
        self._server: Server | None = None

    @property
    def address(self) -> str:
        """Where it is found."""
        return str(self._server.address) if self._server is not None else ""

    async def begin(self) -> None:
        """Listen, or listen elsewhere if the way to the scheduler is another one now."""
        host, port = _find_place(self._options)
        if self._server is not None and host == self._host:
            return
        await self.end()
        protocol, _, _ = split_address(self._options.address)
        security = load_security(self._options.address, self._options.certificates)
        server = Server(self._machine.handlers())
        for name in set(server.handlers) - set(self._machine.handlers()):
            del server.handlers[name]
        await server.listen(f"{protocol}://{host}:{port}", **security.get_listen_args("worker"))
        self._server, self._host = server, host

    async def end(self) -> None:
        """Answer no more."""
        if self._server is not None:
            await self._server.close()
            self._server = None


async def _join(
    machine: Machine,
    options: Options,
    address: str,
    stop: asyncio.Event,
    say: Callable[[str], None],
) -> None:
    """Join the scheduler and stay until it goes, or until told to stop.

    address: where the daemon asks; the library's own part listens on loopback, where nobody asks.
    """
    protocol, _, _ = split_address(options.address)
    joined = _Joined(
        options.address,
        nthreads=machine.tries.slots,
        name=machine.name,
        host="127.0.0.1",
        contact_address=address,
        protocol=protocol,
        security=load_security(options.address, options.certificates),
        memory_limit=0,
        local_directory=str(options.folder / "joined"),
        dashboard=False,
        death_timeout=10,
    )
    closing = asyncio.create_task(stop.wait())
    try:
        async with joined:
            say(f"{machine.name} has joined {options.address}, at {address}")
            ended = asyncio.create_task(joined.finished())
            await asyncio.wait({closing, ended}, return_when=asyncio.FIRST_COMPLETED)
            ended.cancel()
    finally:
        closing.cancel()


def _check_name(name: str) -> str:
    try:
        return TypeAdapter(MachineName).validate_python(name)
    except ValidationError as error:
        allowed = "--name with letters, digits, dots, hyphens and underscores; at most 64"
        raise SettingsError([Problem(name, "", "is no name for a machine", allowed)]) from error


def _find_place(options: Options) -> tuple[str, int]:
    """Return host and port to listen at; port 0: any. Never on all interfaces unasked.

    Raises
    ------
    SettingsError
        For a place that cannot be used.
    """
    protocol, host, port = split_address(options.address)
    if not options.listen:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        with socket.socket(family, socket.SOCK_DGRAM) as probe:
            probe.connect((host.strip("[]"), port or 1))  # sends nothing, and finds the way
            found = str(probe.getsockname()[0])
        return (f"[{found}]" if ":" in found else found), 0
    wanted = options.listen if options.listen.rpartition(":")[2].isdecimal() else ""
    listen = f"{protocol}://{wanted or options.listen + ':0'}"
    try:
        check_security(listen, has_certificates=options.certificates is not None)
    except ValueError as error:
        raise SettingsError([Problem("--listen", "", options.listen, str(error))]) from error
    _, host, port = split_address(listen)
    return host, port


async def _watch_leases(machine: Machine, say: Callable[[str], None]) -> None:
    while True:
        await asyncio.sleep(_LOOK_EVERY_S)
        for job in await asyncio.to_thread(machine.tries.end_forgotten):
            say(f"nobody has asked for {job}; given up")
