"""Servers for tests: one that speaks as much SMTP as is needed, one that takes posts."""

from __future__ import annotations

import base64
import contextlib
import email
import email.policy
import socket
import threading
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


@dataclass
class MailServer:
    """Takes mail; what it says can be changed."""

    port: int = 0
    answers: dict[str, str] = field(default_factory=dict)
    """What it answers to a command, instead of what is usual."""
    got: list[email.message.EmailMessage] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    is_silent: bool = False
    """Whether it takes connections and never says a word."""
    context: object = None
    """For STARTTLS."""
    arrived: threading.Event = field(default_factory=threading.Event)

    def talk(self, connection: socket.socket) -> None:
        stream = connection.makefile("rb")
        held = [stream, connection]
        try:
            if self.is_silent:
                connection.recv(1)
                return
            self._say(connection, "220 test", "hello")
            while line := stream.readline().decode("latin-1").strip():
                self.said.append(line)
                word = line.split()[0].upper()
                if word == "EHLO":
                    starts = self.context is not None and not hasattr(connection, "context")
                    more = "250-STARTTLS\r\n" if starts else ""
                    self._say(connection, f"250-test\r\n{more}250-SMTPUTF8\r\n250 AUTH PLAIN", word)
                elif word == "STARTTLS":
                    self._say(connection, "220 go on", word)
                    connection = self.context.wrap_socket(connection, server_side=True)
                    stream = connection.makefile("rb")
                    held += [stream, connection]
                elif word == "AUTH":
                    self.said[-1] = base64.b64decode(line.split()[2]).decode("latin-1")
                    self._say(connection, "235 welcome", word)
                elif word == "DATA":
                    self._say(connection, "354 go on", word)
                    body = b""
                    while (read := stream.readline()) not in (b".\r\n", b""):
                        body += read
                    self.got.append(email.message_from_bytes(body, policy=email.policy.default))
                    self._say(connection, "250 taken", "taken")
                    self.arrived.set()
                else:
                    key = line.upper() if line.upper() in self.answers else word
                    self._say(connection, "221 bye" if word == "QUIT" else "250 fine", key)
        finally:
            for each in held:
                with contextlib.suppress(OSError):
                    each.close()

    def _say(self, connection, usual: str, word: str) -> None:
        connection.sendall((self.answers.get(word, usual) + "\r\n").encode("latin-1"))


@contextlib.contextmanager
def mail_server(**values):
    server = MailServer(**values)
    listening = socket.create_server(("127.0.0.1", 0))
    server.port = listening.getsockname()[1]
    over = threading.Event()
    open_ones: list[socket.socket] = []

    def serve() -> None:
        while not over.is_set():
            try:
                connection, _ = listening.accept()
            except OSError:
                return
            open_ones.append(connection)
            with contextlib.suppress(OSError, ValueError):
                server.talk(connection)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield server
    finally:
        over.set()
        with contextlib.suppress(OSError):
            listening.shutdown(socket.SHUT_RDWR)
        listening.close()
        for each in open_ones:
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
            each.close()
        thread.join(5)
        assert not thread.is_alive()


@dataclass
class Post:
    """What a program of the studio's has got."""

    path: str
    headers: dict[str, str]
    body: bytes


@contextlib.contextmanager
def web_server(status: int = 200, answer: bytes = b"", location: str = ""):
    """A server that keeps what it gets; yields its port, its posts, and how it answers."""
    posts: list[Post] = []
    how = {"status": status, "arrived": threading.Event()}

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            length = int(self.headers["Content-Length"])
            posts.append(Post(self.path, dict(self.headers), self.rfile.read(length)))
            self.send_response(how["status"])
            if location:
                self.send_header("Location", location)
            self.end_headers()
            self.wfile.write(answer)
            how["arrived"].set()

        def log_message(self, *_args) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, args=(0.05,))
    thread.start()
    try:
        yield server.server_address[1], posts, how
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
