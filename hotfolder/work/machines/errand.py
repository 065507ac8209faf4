"""One try of an attempt on another machine: send, ask until it has ended, check, fetch.

What comes back is believed as little as a worker's on this machine: it must be the answer to this
order, its files must be named plainly, fit on our disk and have the hashes that the answer says.
Whatever is wrong with it ends the try (`Lost`), and the attempt is made elsewhere.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import threading
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Final, TypeVar

from pydantic import ValidationError

from hotfolder.disk import durable, platforms
from hotfolder.model.answer import Answer
from hotfolder.work.machines.line import Asking, Unanswered
from hotfolder.work.machines.messages import (
    CHUNK_BYTES,
    Begun,
    Content,
    Fetch,
    NeighbourSaid,
    NotUnderstood,
    Piece,
    Question,
    Told,
    TryOrder,
    as_json,
    decode,
    encode,
)
from hotfolder.work.worker import ANSWER, PROGRESS, Attempt, Stopped

_Model = TypeVar("_Model", Begun, Told)

_ASK_S: Final = 10.0
_PIECE_S: Final = 60.0
_WAIT_S: Final = 1.0
_AGAIN_S: Final = 0.5
_LONGER_S: Final = 60.0
"""How much longer than its limit a try may take: its machine ends it at the limit."""
_LEASES: Final = 2.0
_MOST_FILES: Final = 100
_KEPT_FREE: Final = 100 * 2**20


class Lost(Exception):
    """A machine has not done what it was asked to do; says what it did."""


class Busy(Exception):
    """A machine has no slot free: others use it too."""


class Changed(Exception):
    """The original, or a profile, is not what it was any more."""


class NotToBeSent(Exception):
    """An attempt that cannot be described to another machine."""


@dataclass(frozen=True)
class Errand:
    """One try on one machine."""

    line: Asking
    address: str
    machine: str
    """The machine's name."""
    attempt: Attempt
    order: TryOrder
    patience_s: float
    free_bytes: int = _KEPT_FREE
    """Room that is left on our disk, whatever comes."""

    def run(self, stop: threading.Event) -> Answer | Stopped:
        """Have the attempt made there.

        Raises
        ------
        Lost
            When it came to nothing that can be believed.
        Busy
            When the machine has no slot free.
        OSError
            When our own disk is in the way.
        """
        try:
            self._send(stop)
            told = self._wait(stop)
            if told is None:
                return Stopped()
            answer = self._check(told)
            if answer.verdict != "failed":
                self._fetch_all(answer)
            else:
                self._keep_answer(answer)
        except Unanswered as error:
            raise Lost(str(error)) from error
        except NotUnderstood as error:
            raise Lost(f"it has sent {error}") from error
        finally:
            self._end()
        return answer

    def _send(self, stop: threading.Event) -> None:
        begun = self._ask(Begun, "hotfolder_begin", encode(self.order), _ASK_S)
        contents = {each.sha256: each for each in self.order.profiles}
        contents[self.order.original.sha256] = self.order.original
        wanted = begun.wants
        if begun.state == "busy":
            raise Busy
        while True:
            if begun.state != "begun":
                raise Lost(f"it refused: {begun.why or begun.state}")
            if not wanted:
                return
            sha256, *_ = wanted
            if sha256 not in contents or stop.is_set():
                raise Lost("it wants what it was not asked to work on")
            content = contents.pop(sha256)
            begun = self._send_file(content, self._place_of(content))
            wanted = begun.wants

    def _place_of(self, content: Content) -> Path:
        if content is self.order.original:
            return self.attempt.order.original
        return self.attempt.order.profiles / content.name

    def _send_file(self, content: Content, path: Path) -> Begun:
        offset = 0
        begun = None
        for data in _read_pieces(path):
            piece = Piece(token=self.order.token, sha256=content.sha256, offset=offset)
            begun = self._ask(Begun, "hotfolder_put", encode(piece), _PIECE_S, data)
            offset += len(data)
            if begun.state != "begun":
                break
        if begun is None or (begun.state != "begun" and _is_changed(path, content)):
            raise Changed
        return begun

    def _wait(self, stop: threading.Event) -> Told | None:
        """Ask until it has ended; None when told to stop."""
        begun_s = heard_s = time.monotonic()
        while not stop.is_set():
            question = encode(Question(token=self.order.token, wait_s=_WAIT_S))
            try:
                told = self._ask(Told, "hotfolder_ask", question, _WAIT_S + self.patience_s)
            except Unanswered as error:
                if time.monotonic() - heard_s > self.patience_s:
                    raise Lost(f"it was lost: {error}") from error
                stop.wait(_AGAIN_S)
                continue
            heard_s = time.monotonic()
            if told.state == "ended":
                return told
            if told.state == "unknown":
                raise Lost("it knows nothing of the job any more")
            if heard_s - begun_s > self.attempt.time_s + _LONGER_S:
                raise Lost("it went on after the time limit (limits.time)")
            self._say(told)
        return None

    def _check(self, told: Told) -> Answer:
        """Return its answer, if it is one to this order."""
        try:
            answer = Answer.model_validate_json(told.answer)
        except (ValidationError, RecursionError) as error:
            raise Lost("its answer makes no sense") from error
        if answer.verdict == "wait":
            raise Lost(f"it could not work: {answer.message[:300]}")
        if answer.verdict == "failed":
            return answer
        if answer.work is None:
            raise Lost("it did not say what it did")
        original = answer.work.original
        if (original.sha256, original.bytes) != (
            self.order.original.sha256,
            self.order.original.bytes,
        ):
            raise Lost("its answer is about another picture")
        files = answer.work.files()
        names = [each.path for each in files]
        is_plain = all(PurePosixPath(name).name == name and "\\" not in name for name in names)
        if not is_plain or len(set(names)) < len(names) or len(names) > _MOST_FILES:
            raise Lost("it named files that no attempt makes")
        if {ANSWER, PROGRESS} & set(names):
            raise Lost("it named files that no attempt makes")
        room = platforms.free_bytes(self.attempt.order.folder) - self.free_bytes
        size = sum(each.bytes for each in files)
        if size > room:
            raise Lost(f"it says that it made {size} bytes, for which there is no room here")
        return answer

    def _fetch_all(self, answer: Answer) -> None:
        files = answer.work.files() if answer.work else []
        for each in files:
            self._fetch(each.path, each.sha256, each.bytes)

    def _fetch(self, name: str, sha256: str, size: int) -> None:
        digest, offset = hashlib.sha256(), 0
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_CLOEXEC", 0)
        file = os.open(self.attempt.order.folder / name, flags, 0o600)
        try:
            while offset < size:
                fetch = encode(Fetch(token=self.order.token, path=name, offset=offset))
                reply = self.line.ask(self.address, "hotfolder_fetch", fetch, _PIECE_S)
                data = reply.said
                if not data or len(data) > min(CHUNK_BYTES, size - offset):
                    raise Lost(f"{name} came with another size than it said")
                durable.write_all(file, data)
                digest.update(data)
                offset += len(data)
        finally:
            os.close(file)
        if digest.hexdigest() != sha256:
            raise Lost(f"{name} came with other bytes than its hash says")

    def _keep_answer(self, answer: Answer) -> None:
        """Leave how a stage failed where the next attempt looks for it."""
        (self.attempt.order.folder / ANSWER).write_text(answer.model_dump_json(), "utf-8")

    def _say(self, told: Told) -> None:
        """Say how far it is, where a worker of this machine says it."""
        path = self.attempt.order.folder / PROGRESS
        temporary = path.with_suffix(".new")
        doing = f"{told.doing} on {self.machine}" if told.doing else f"on {self.machine}"
        temporary.write_text(json.dumps({"doing": doing[:100], "share": round(told.share, 4)}))
        temporary.replace(path)

    def _ask(
        self, model: type[_Model], what: str, said: bytes, deadline_s: float, data: bytes = b""
    ) -> _Model:
        return decode(model, self.line.ask(self.address, what, said, deadline_s, data).said)

    def _end(self) -> None:
        """Say that it is over; a machine that does not hear it finds out by its lease."""
        try:
            question = encode(Question(token=self.order.token))
            self.line.ask(self.address, "hotfolder_end", question, min(_ASK_S, self.patience_s))
        except Unanswered:
            return


def make_order(attempt: Attempt, patience_s: float) -> TryOrder:
    """Describe an attempt to another machine.

    Raises
    ------
    NotToBeSent
        When its settings hold what JSON cannot say.
    OSError
        When a profile cannot be read.
    """
    order = attempt.order
    settings = as_json(attempt.destination_raw)
    is_no_job = order.is_trial or order.only_foresees or order.only_shows
    if settings is None or is_no_job or order.sidecar is not None:
        raise NotToBeSent
    try:
        return TryOrder(
            token=secrets.token_hex(16),
            job=order.job,
            name=order.name,
            original=Content(name=str(order.original), sha256=order.sha256, bytes=order.bytes),
            profiles=tuple(_find_profiles(order.profiles, settings)),
            destination=attempt.destination_file.stem,
            settings=settings,
            time_s=attempt.time_s,
            memory_bytes=attempt.memory_bytes,
            begun=order.begun,
            lease_s=max(_WAIT_S * 5, _LEASES * patience_s + _ASK_S),
            neighbours={
                name: tuple(
                    NeighbourSaid(
                        job=each.job,
                        name=each.name,
                        delivered=each.delivered,
                        said=as_json(each.said) or {},
                    )
                    for each in said
                )
                for name, said in order.neighbours.items()
            },
            standing=order.standing,
            root=str(order.root) if order.root else "",
        )
    except ValidationError as error:
        raise NotToBeSent from error


def _find_profiles(folder: Path, settings: Mapping[str, object]) -> Iterator[Content]:
    """Find the profiles that settings name: each text in them that is a file of the folder."""
    top = folder.resolve()
    for name in sorted(set(_texts(settings))):
        if len(name) > 255 or "\0" in name:
            continue
        path = folder / name
        if path.is_file() and top in path.resolve().parents and ".." not in path.parts:
            digest = durable.sha256_of(path.resolve())
            yield Content(name=name, sha256=digest.sha256, bytes=digest.bytes)


def _is_changed(path: Path, content: Content) -> bool:
    """Whether a file is not what the order says: then nobody else is to blame."""
    found = durable.sha256_of(path)
    return (found.sha256, found.bytes) != (content.sha256, content.bytes)


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        if value:
            yield value
    elif isinstance(value, Mapping):
        for each in value.values():
            yield from _texts(each)
    elif isinstance(value, list | tuple):
        for each in value:
            yield from _texts(each)


def _read_pieces(path: Path) -> Iterator[bytes]:
    """Read a file in pieces; of an empty one, an empty piece."""
    with durable.open_to_read(path) as file:
        data = file.read(CHUNK_BYTES)
        yield data
        while data := file.read(CHUNK_BYTES):
            yield data
