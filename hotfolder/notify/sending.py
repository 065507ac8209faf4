"""What both ways share: a connection with a deadline, secrets, and why something failed."""

from __future__ import annotations

import ipaddress
import os
import socket
import ssl
from collections.abc import Callable
from pathlib import Path
from typing import Final, TypeVar

from hotfolder.disk.names import display_name
from hotfolder.disk.pulse import Errand
from hotfolder.errors import HotfolderError
from hotfolder.settings.notify import MailTable, WebhookTable

EACH_S: Final = 15.0
"""How long a server may take for each answer, in seconds."""

IN_ALL_S: Final = 60.0
"""How long sending one message may take, in seconds."""

_MOST_SECRET: Final = 4096
_MOST_SHOWN: Final = 200
_T = TypeVar("_T")


class NotSent(HotfolderError):
    """A message could not be sent, or nobody knows whether it was."""

    exit_code = 9


class Line:
    """A connection that another thread can cut, and that says where it leads."""

    def __init__(self) -> None:
        self._held: list[socket.socket] = []
        self._is_cut = False

    def connect(self, host: str, port: int, *, only_here: bool) -> socket.socket:
        """Connect to a server; only_here: whether it has to be one on this machine.

        Raises
        ------
        OSError
            When it does not answer.
        NotSent
            When it is on another machine and must not be.
        """
        made = socket.create_connection((host, port), timeout=EACH_S)
        there = made.getpeername()[0]
        if only_here and not ipaddress.ip_address(there).is_loopback:
            made.close()
            raise NotSent(f"{host} is not on this machine, and without TLS others could read along")
        # a second handle of the same connection: it can be cut whatever TLS is doing with the first
        self._held.append(made.dup())
        if self._is_cut:
            self.cut()
        return made

    def cut(self) -> None:
        """Cut it: whoever waits for an answer gets an error."""
        self._is_cut = True
        for each in self._held:
            try:
                each.shutdown(socket.SHUT_RDWR)
            except OSError:
                continue  # it has ended

    def close(self) -> None:
        """Let go of it."""
        for each in self._held:
            each.close()


def send_within(act: Callable[[Line], _T], seconds: float = IN_ALL_S) -> _T:
    """Let `act` send something, in a thread of its own, and cut its connection when it is late.

    Raises
    ------
    NotSent
        When it was not sent, or it took too long.
    """
    line = Line()
    try:
        errand = Errand("send", lambda: act(line))
    except OSError as error:
        raise NotSent(f"this machine has no room for it: {error.strerror}") from error
    if not errand.wait(seconds):
        line.cut()
        errand.wait(1.0)
        line.close()
        raise NotSent(f"the server took longer than {seconds:.0f} s; it may have it all the same")
    line.close()
    return errand.answer()


def make_context(root: Path, certificates: str | None) -> ssl.SSLContext:
    """Return how a server has to prove who it is.

    Raises
    ------
    NotSent
        When the file of authorities cannot be used.
    """
    context = ssl.create_default_context()
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if certificates:
        try:
            context = ssl.create_default_context(cafile=str(root / certificates))
        except (OSError, ssl.SSLError) as error:
            said = error.strerror or "it is no PEM file"
            raise NotSent(f"certificates: {root / certificates} cannot be used: {said}") from error
    return context


def read_secret(root: Path, file: str | None, variable: str | None) -> str:
    """Read a secret; "" when none is set.

    Raises
    ------
    NotSent
        When it is not there; the message says where it was looked for, and never what it is.
    """
    if variable:
        found = os.environ.get(variable, "")
        if not found:
            raise NotSent(
                f"the environment variable {display_name(variable)} is not set for this process; "
                "set it where hotfolder is started"
            )
        return found
    if not file:
        return ""
    path = root / file
    try:
        with path.open("rb") as opened:
            read = opened.read(_MOST_SECRET + 1)
    except OSError as error:
        raise NotSent(f"{path} cannot be read: {error.strerror}") from error
    first = read.split(b"\n", 1)[0].removesuffix(b"\r")
    if len(read) > _MOST_SECRET or not first:
        raise NotSent(f"{path}: its first line has to be the secret, and it is empty or too long")
    try:
        return first.decode("utf-8")
    except UnicodeDecodeError:
        raise NotSent(f"{path}: its first line is not UTF-8 text") from None


def say_where(table: MailTable | WebhookTable) -> str:
    """Name the server that a way leads to, and nothing of an address that may be a secret."""
    if isinstance(table, MailTable):
        return f"mail by {table.host}, port {table.port_used}"
    return f"webhook at {table.parts.scheme.lower()}://{table.parts.netloc}"


def say_reply(text: str | bytes, *secrets: str) -> str:
    """Make what a server has answered fit for showing; secrets in it are left out."""
    said = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    for each in secrets:
        said = said.replace(each, "…") if len(each) > 1 else said
    said = display_name(" ".join(said.split()))
    return said if len(said) <= _MOST_SHOWN else f"{said[:_MOST_SHOWN]}…"


def say_no_connection(host: str, error: OSError) -> str:
    """Say why a server could not be reached."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return (
            f"{host} cannot prove that it is {host}: {say_reply(error.verify_message)}; "
            "`certificates` names an authority of your own"
        )
    if isinstance(error, ssl.SSLError):
        return f"{host} does not speak TLS as expected: {say_reply(error.reason or str(error))}"
    if isinstance(error, socket.gaierror):
        return f"no server is called {host}: {say_reply(error.strerror or str(error))}"
    if isinstance(error, TimeoutError):
        return f"{host} does not answer"
    return f"{host} cannot be reached: {say_reply(error.strerror or str(error))}"
