"""Run a command when a picture was delivered, held or refused: a receiver of hotfolder's webhook.

A message is believed when its signature is right and fresh (hotfolder's ``config/WEBHOOK.md``); the
command gets each thing in it once, as JSON on its standard input. What fails is not received: it
comes again.
"""

from __future__ import annotations

import argparse
import hashlib
import hmac
import json
import os
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Final

FRESH_S: Final = 300
"""A message that was signed longer ago may be a copy that somebody sends again."""
MOST_BYTES: Final = 2**20
COMMAND_S: Final = 10.0
"""Hotfolder waits 15 seconds for an answer."""

SIGNED: Final = ("Hotfolder-Timestamp", "Hotfolder-Signature")

Item = dict[str, object]


def is_genuine(secret: bytes, headers: Mapping[str, str], body: bytes, now_s: float) -> bool:
    """Say whether hotfolder signed this, with this secret, just now."""
    stamp = headers.get(SIGNED[0], "")
    said = headers.get(SIGNED[1], "")
    if not (stamp.isascii() and stamp.isdigit()) or abs(now_s - int(stamp)) > FRESH_S:
        return False
    made = hmac.new(secret, stamp.encode() + b"." + body, hashlib.sha256).hexdigest()
    return hmac.compare_digest(said.encode(), b"v1=" + made.encode())


class Seen:
    """Ids of what has been told, in a file: one a line, on disk before the next is begun."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._ids = set(path.read_text("ascii").split()) if path.exists() else set[str]()

    def __contains__(self, name: object) -> bool:
        return _as_line(name) in self._ids

    def add(self, name: object) -> None:
        """Note that it has been told."""
        with self._path.open("a", encoding="ascii") as file:
            file.write(f"{_as_line(name)}\n")
            file.flush()
            os.fsync(file.fileno())
        self._ids.add(_as_line(name))


def _as_line(name: object) -> str:
    """An id may hold any character: its hash does not."""
    return hashlib.sha256(str(name).encode()).hexdigest()


def find_new(body: Mapping[str, object], seen: Seen) -> list[Item]:
    """Return what a message tells that was not told before; of a test, the message itself."""
    if body.get("kind") == "test":
        return [{"kind": "test", "says": body.get("summary", "")}]
    items = body.get("items")
    found = [each for each in items if isinstance(each, dict)] if isinstance(items, list) else []
    return [each for each in found if each.get("id") not in seen]


class Bell(HTTPServer):
    """Waits for messages, one at a time, so that no command is run twice beside itself."""

    def __init__(
        self, address: tuple[str, int], secret: bytes, seen: Seen, command: Sequence[str]
    ) -> None:
        self.secret, self.seen, self.command = secret, seen, command
        super().__init__(address, _Handler)

    def ring(self, item: Item) -> None:
        """Run the command.

        Raises
        ------
        OSError, subprocess.SubprocessError
            When it cannot be run, fails, or takes too long.
        """
        said = json.dumps(item).encode("ascii")
        subprocess.run(self.command, input=said, check=True, timeout=COMMAND_S)
        if "id" in item:
            self.seen.add(item["id"])


class _Handler(BaseHTTPRequestHandler):
    server: Bell
    timeout = 15.0

    def do_POST(self) -> None:
        size = self.headers.get("Content-Length", "")
        if not (size.isascii() and size.isdigit()) or int(size) > MOST_BYTES:
            self._answer(413, "a body of at most 1 MiB, with its length")
            return
        body = self.rfile.read(int(size))
        headers = {name: self.headers.get(name, "") for name in SIGNED}
        if not is_genuine(self.server.secret, headers, body, time.time()):
            self._answer(403, "not signed with this secret, or not just now")
            return
        try:
            said = json.loads(body)
            for item in find_new(said, self.server.seen):
                self.server.ring(item)
        except (OSError, ValueError, subprocess.SubprocessError) as error:
            print(f"not told: {error}", file=sys.stderr)  # noqa: T201
            self._answer(500, f"the command: {type(error).__name__}")
            return
        self._answer(200, "told")

    def _answer(self, status: int, says: str) -> None:
        body = f"{says}\n".encode()
        self.send_response(status)
        self.send_header("Content-Type", "text/plain")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the library's name
        """Say nothing of what went well."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Listen until Ctrl-C; run COMMAND for each picture that has ended."""
    parser = argparse.ArgumentParser(prog="job-bell", description=main.__doc__)
    parser.add_argument("--secret-file", type=Path, required=True, help="as in [notify.webhook]")
    parser.add_argument("--seen", type=Path, required=True, help="where ids are noted")
    parser.add_argument("--port", type=int, default=8765)
    parser.add_argument("command", nargs="+", metavar="COMMAND")
    said = parser.parse_args(arguments)
    secret = said.secret_file.read_text("utf-8").split("\n")[0].rstrip("\r").encode()
    if not secret:
        parser.error(f"{said.secret_file} has no secret in its first line")
    bell = Bell(("127.0.0.1", said.port), secret, Seen(said.seen), said.command)
    try:
        bell.serve_forever()
    except KeyboardInterrupt:
        bell.server_close()


if __name__ == "__main__":
    main()
