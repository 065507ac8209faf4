"""What a service manager is told: that the daemon is ready, that it still turns, that it ends.

The protocol is systemd's (sd_notify(3), WatchdogSec= in systemd.service(5)): lines of text in a
datagram to the socket that the environment names. Where it names none, nothing is said.
"""

from __future__ import annotations

import contextlib
import os
import socket
from dataclasses import dataclass, field

_SOCKET = "NOTIFY_SOCKET"


@dataclass
class ServiceManager:
    """Who started the daemon and waits to hear from it; perhaps nobody."""

    address: str = field(default_factory=lambda: os.environ.pop(_SOCKET, ""))
    """Of its socket; ``@`` at the start stands for an abstract one. Taken out of the environment,
    so that no worker speaks in the daemon's name."""

    def say_ready(self) -> None:
        """Say that folders are watched and jobs are taken."""
        self._send("READY=1")

    def say_alive(self) -> None:
        """Say that the loop still turns; a manager that does not hear it in time starts anew."""
        self._send("WATCHDOG=1")

    def say_stopping(self) -> None:
        """Say that the daemon ends because it was asked to, or cannot go on."""
        self._send("STOPPING=1")

    def _send(self, text: str) -> None:
        if not self.address or not hasattr(socket, "AF_UNIX"):
            return
        place = f"\0{self.address[1:]}" if self.address.startswith("@") else self.address
        # a manager that is not there any more is no reason to end the work
        with (
            contextlib.suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as to,
        ):
            to.settimeout(0)
            to.sendto(text.encode(), place)
