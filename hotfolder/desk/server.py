"""Serving the desk: an address of this machine, until a signal comes.

By default only this machine is listened to (loopback). Another address needs TLS and the names by
which the desk is asked for there.
"""

from __future__ import annotations

import contextlib
import errno
import ipaddress
import signal
import socket
import ssl
import webbrowser
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import FrameType
from typing import Final

import uvicorn

from hotfolder.desk.access import Access
from hotfolder.desk.app import Desk
from hotfolder.desk.arrivals import clear_left
from hotfolder.disk.pulse import Errand
from hotfolder.errors import Problem, SettingsError, StorageError
from hotfolder.settings.root import Root

LOOPBACK: Final = "127.0.0.1"
USUAL_PORT: Final = 8417
"""Asked for first; when another process has it, any free one is taken."""

_LOOPBACK_NAMES = (LOOPBACK, "localhost")
_GRACE_S = 2
_KEEP_ALIVE_S = 5
_MOST_CONNECTIONS = 200
_BACKLOG = 64


@dataclass(frozen=True)
class Where:
    """Where a desk is to be reached."""

    address: str = LOOPBACK
    """The numeric address that is listened on."""
    port: int | None = None
    """None: `USUAL_PORT`, or any free one."""
    names: tuple[str, ...] = ()
    """Names by which it is asked for; needed where others can reach it."""
    certificate: Path | None = None
    """PEM file with the certificate and its chain."""
    certificate_key: Path | None = None
    """PEM file with its private key; None: it is in the same file."""

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return ipaddress.ip_address(self.address).is_loopback


def serve(
    root: Root, where: Where, *, may_decide: bool, open_browser: bool, tell: Callable[[str], None]
) -> None:
    """Serve the desk until SIGTERM or Ctrl-C.

    Parameters
    ----------
    root
        The root that it is for.
    where
        Where it is to be reached.
    may_decide
        Whether whoever comes in may decide.
    open_browser
        Whether to open the first address in a browser, if there is one.
    tell
        Called with lines for the person who started it; the first address is one of them.

    Raises
    ------
    SettingsError
        When there is no root, or others could reach the desk without TLS or names.
    StorageError
        When the port is not free.
    """
    check(root, where)
    listening = _listen(where)
    with contextlib.closing(listening):
        port = listening.getsockname()[1]
        names = where.names or (_LOOPBACK_NAMES if where.address == LOOPBACK else ())
        names = names or (_as_host(where.address), "localhost")
        access = Access("https" if where.certificate else "http", port, names, may_decide)
        desk = Desk(root, access)
        server = _Server(_configure(desk, where), desk)
        if may_decide:
            Errand("clear", partial(clear_left, root))
        what = "The desk is at" if may_decide else "The desk, to look at only, is at"
        tell(what)
        tell(access.first_address)
        tell("Whoever has this address can use it. Ctrl-C ends the desk; the work goes on.")
        if open_browser:
            with contextlib.suppress(webbrowser.Error):
                webbrowser.open(access.first_address)
        # uvicorn raises the signals that it caught again when it has ended
        before = [(each, signal.signal(each, _ignore)) for each in (signal.SIGTERM, signal.SIGINT)]
        try:
            server.run(sockets=[listening])
        finally:
            for number, handler in before:
                signal.signal(number, handler)


def check(root: Root, where: Where) -> None:
    """Check that there is a root, and that nobody is let in who should not be.

    Raises
    ------
    SettingsError
        With everything that is not right.
    """
    problems = []
    if not root.is_there:
        problems.append(root.absence)
    try:
        is_loopback = where.is_loopback
    except ValueError:
        allowed = "a numeric address of this machine, as in 192.0.2.7"
        raise SettingsError([*problems, Problem("--address", "", where.address, allowed)]) from None
    if not is_loopback and where.certificate is None:
        allowed = "with --certificate: others could read along otherwise"
        problems.append(Problem("--address", "", where.address, allowed))
    if not is_loopback and not where.names:
        allowed = "with --name, once for each name by which the desk is asked for there"
        problems.append(Problem("--address", "", where.address, allowed))
    if where.certificate:
        try:
            _load_certificate(where)
        except (OSError, ssl.SSLError) as error:
            said = f"{where.certificate}: {error.strerror or error}"
            problems.append(Problem("--certificate", "", said, "a PEM file and its key"))
    if problems:
        raise SettingsError(problems)


class _Server(uvicorn.Server):
    """Ends its streams when a signal comes: they would keep it waiting."""

    def __init__(self, config: uvicorn.Config, desk: Desk) -> None:
        super().__init__(config)
        self._desk = desk

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        super().handle_exit(sig, frame)
        self._desk.end_streams()


def _configure(desk: Desk, where: Where) -> uvicorn.Config:
    return uvicorn.Config(
        desk.app,
        log_config=None,
        access_log=False,
        server_header=False,
        date_header=False,
        proxy_headers=False,
        ws="none",
        lifespan="off",
        timeout_keep_alive=_KEEP_ALIVE_S,
        timeout_graceful_shutdown=_GRACE_S,
        limit_concurrency=_MOST_CONNECTIONS,
        ssl_certfile=where.certificate,
        ssl_keyfile=where.certificate_key,
    )


def _load_certificate(where: Where) -> None:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(where.certificate or "", where.certificate_key)


def _listen(where: Where) -> socket.socket:
    ports: Sequence[int] = [USUAL_PORT, 0] if where.port is None else [where.port]
    family = socket.AF_INET6 if ":" in where.address else socket.AF_INET
    for port in ports:
        listening = socket.socket(family, socket.SOCK_STREAM)
        try:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind((where.address, port))
            listening.listen(_BACKLOG)
        except OSError as error:
            listening.close()
            if error.errno == errno.EADDRINUSE and port != ports[-1]:
                continue
            raise StorageError(
                f"{where.address}, port {port}, cannot be used: {error.strerror or error}; "
                "choose another with --port"
            ) from error
        else:
            return listening
    raise AssertionError


def _as_host(address: str) -> str:
    return f"[{address}]" if ":" in address else address


def _ignore(_number: int, _frame: FrameType | None) -> None:
    """Do nothing: the server has ended because of this signal."""
