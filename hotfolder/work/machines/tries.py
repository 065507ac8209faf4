"""What a machine does with orders: it receives what they need, works, and keeps what was made.

A try has a folder of its own, named by its token, which goes when the daemon says that it is over,
or when nobody has asked about it for its lease. Files come in pieces and are believed when they
have the hash that the order says. Profiles stay for the next order, under their hashes.

The work itself is done as on the daemon's machine: in a process of its own, under the same limits.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import BinaryIO, Final

from hotfolder.disk import durable, trees
from hotfolder.disk.kept_arrays import ArrayFolder
from hotfolder.model.answer import Answer
from hotfolder.work.machines.messages import (
    CHUNK_BYTES,
    Begun,
    Content,
    Doing,
    Fetch,
    Piece,
    Question,
    Told,
    TryOrder,
)
from hotfolder.work.order import Order
from hotfolder.work.worker import Attempt, Stopped, read_progress, run_attempt

Run = Callable[[Attempt, threading.Event], Answer | Stopped]

_MOST_PROFILES: Final = 500
_POINTS_BYTES: Final = 500 * 2**20
_LONGEST_SAID: Final = 200


@dataclass
class _Incoming:
    """A file that is being received."""

    content: Content
    path: Path
    file: BinaryIO
    digest: hashlib._Hash = field(default_factory=hashlib.sha256)
    size: int = 0


@dataclass
class _Try:
    order: TryOrder
    folder: Path
    asked_s: float
    wants: dict[str, Content]
    incoming: dict[str, _Incoming] = field(default_factory=dict)
    stop: threading.Event = field(default_factory=threading.Event)
    ended: threading.Event = field(default_factory=threading.Event)
    thread: threading.Thread | None = None
    answer: Answer | None = None

    @property
    def made(self) -> Path:
        return self.folder / "made"


class Tries:
    """All tries of one machine; safe to call from several threads."""

    def __init__(
        self,
        folder: Path,
        slots: int,
        plugins: Path,
        shared: Path | None = None,
        run: Run = run_attempt,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Prepare; what an earlier process has left in the folder goes.

        shared: a folder in which originals may be read instead of being sent.
        """
        self.slots = slots
        self._folder = folder
        self._contents = folder / "contents"
        self._plugins = plugins
        self._shared = shared
        self._run = run
        self._clock = clock
        self._tries: dict[str, _Try] = {}
        self._threads: set[threading.Thread] = set()
        self._lock = threading.Lock()
        trees.remove_tree(folder / "tries", below=folder)
        for made in (folder / "tries", self._contents):
            made.mkdir(0o700, parents=True, exist_ok=True)
        for left in self._contents.glob("*.*"):
            left.unlink()

    def doing(self) -> tuple[Doing, ...]:
        """What is being done."""
        with self._lock:
            tries = list(self._tries.values())
        found = []
        for each in tries:
            doing, share = read_progress(each.made) or ("starting", 0.0)
            found.append(Doing(job=each.order.job, doing=doing[:_LONGEST_SAID], share=share))
        return tuple(found)

    def begin(self, order: TryOrder) -> Begun:
        """Take an order, if there is a free slot, and say which files are wanted."""
        with self._lock:
            if len(self._tries) >= self.slots:
                return Begun(state="busy")
            if order.token in self._tries:
                return Begun(state="wrong", why="this try has begun before")
            if not all(_is_below(each.name) for each in order.profiles):
                return Begun(state="wrong", why="a profile lies elsewhere")
            one = _Try(order, self._folder / "tries" / order.token, self._clock(), {})
            self._tries[order.token] = one
        try:
            one.folder.mkdir(0o700)
            one.made.mkdir(0o700)
            wanted = {
                each.sha256: each
                for each in order.profiles
                if not (self._contents / each.sha256).exists()
            }
            if not self._copy_from_shared(one):
                wanted[order.original.sha256] = order.original
            one.wants = wanted
            return self._go_on(one)
        except OSError as error:
            return self._give_up(one, f"its disk is in the way: {error}")

    def put(self, piece: Piece, data: bytes) -> Begun:
        """Take a piece of a file that is wanted."""
        one = self._find(piece.token)
        content = one.wants.get(piece.sha256) if one else None
        if one is None or content is None:
            return Begun(state="wrong", why="nobody waits for this")
        try:
            incoming = one.incoming.get(piece.sha256)
            if incoming is None:
                path = self._contents / f"{one.order.token}-{piece.sha256}.part"
                incoming = _Incoming(content, path, path.open("wb"))
                one.incoming[piece.sha256] = incoming
            is_next = piece.offset == incoming.size
            if not is_next or incoming.size + len(data) > content.bytes:
                return self._give_up(one, "a piece of a file is not the next one")
            incoming.file.write(data)
            incoming.digest.update(data)
            incoming.size += len(data)
            if incoming.size < content.bytes:
                return Begun(state="begun", wants=tuple(one.wants))
            del one.incoming[piece.sha256], one.wants[piece.sha256]
            incoming.file.close()
            if incoming.digest.hexdigest() != content.sha256:
                incoming.path.unlink()
                return self._give_up(one, "a file came with other bytes than its hash says")
            if piece.sha256 in {each.sha256 for each in one.order.profiles}:
                shutil.copyfile(incoming.path, incoming.path.with_suffix(".whole"))
                incoming.path.with_suffix(".whole").replace(self._contents / piece.sha256)
            if piece.sha256 == one.order.original.sha256:
                incoming.path.replace(one.folder / "original")
            incoming.path.unlink(missing_ok=True)
            return self._go_on(one)
        except OSError as error:
            return self._give_up(one, f"its disk is in the way: {error}")

    def ask(self, question: Question) -> Told:
        """Say how a try goes; waits for its end for a while."""
        one = self._find(question.token)
        if one is None:
            return Told(state="unknown")
        if one.thread is None:
            return Told(state="waiting")
        if one.ended.wait(question.wait_s):
            answer = one.answer.model_dump_json() if one.answer else ""
            return Told(state="ended", share=1.0, answer=answer)
        doing, share = read_progress(one.made) or ("starting", 0.0)
        return Told(state="working", doing=doing[:_LONGEST_SAID], share=share)

    def fetch(self, fetch: Fetch) -> bytes:
        """Return a piece of what was made; nothing when it is not there."""
        one = self._find(fetch.token)
        if one is None or not one.ended.is_set() or PurePosixPath(fetch.path).name != fetch.path:
            return b""
        try:
            with durable.open_to_read(one.made / fetch.path) as file:
                file.seek(fetch.offset)
                return file.read(CHUNK_BYTES)
        except OSError:
            return b""

    def end(self, token: str) -> None:
        """End a try, whatever it does, and remove its folder."""
        with self._lock:
            one = self._tries.get(token)
        if one is None:
            return
        one.stop.set()
        if one.thread is None or one.ended.is_set():
            self._forget(one)

    def end_forgotten(self) -> list[str]:
        """End tries that nobody has asked about for their lease; return their jobs."""
        now = self._clock()
        with self._lock:
            late = [
                each for each in self._tries.values() if now - each.asked_s > each.order.lease_s
            ]
        for each in late:
            self.end(each.order.token)
        return [each.order.job for each in late]

    def close(self) -> None:
        """End all tries, and wait for their processes."""
        with self._lock:
            tries = list(self._tries.values())
        for each in tries:
            self.end(each.order.token)
        for thread in list(self._threads):
            thread.join()

    def _find(self, token: str) -> _Try | None:
        with self._lock:
            one = self._tries.get(token)
            if one is not None:
                one.asked_s = self._clock()
            return one

    def _go_on(self, one: _Try) -> Begun:
        """Say what is still wanted; with nothing left, work."""
        if one.wants:
            return Begun(state="begun", wants=tuple(one.wants))
        profiles = one.folder / "root" / "profiles"
        profiles.mkdir(parents=True)
        for each in one.order.profiles:
            target = profiles / each.name
            target.parent.mkdir(parents=True, exist_ok=True)
            kept = self._contents / each.sha256
            shutil.copyfile(kept, target)
            if durable.sha256_of(target).sha256 != each.sha256:
                kept.unlink(missing_ok=True)
                return self._give_up(one, f"its copy of {each.name} was damaged")
            os.utime(kept)
        one.thread = threading.Thread(target=self._work, args=(one,), name=f"job {one.order.job}")
        self._threads.add(one.thread)
        one.thread.start()
        return Begun(state="begun")

    def _work(self, one: _Try) -> None:
        order = one.order
        root = one.folder / "root"
        attempt = Attempt(
            order=Order(
                job=order.job,
                original=one.folder / "original",
                name=order.name,
                sha256=order.original.sha256,
                bytes=order.original.bytes,
                folder=one.made,
                begun=order.begun,
                profiles=root / "profiles",
                root=Path(order.root) if order.root else None,
                neighbours={
                    name: [each.to_neighbour() for each in said]
                    for name, said in order.neighbours.items()
                },
                standing=order.standing,
                points=ArrayFolder(self._folder / "points", _POINTS_BYTES),
            ),
            destination_file=root / "destinations" / f"{order.destination}.toml",
            destination_raw=order.settings,
            plugins=self._plugins,
            time_s=order.time_s,
            memory_bytes=order.memory_bytes,
        )
        try:
            said = self._run(attempt, one.stop)
        except (OSError, EOFError) as error:
            said = Answer(verdict="wait", message=f"no worker can be started: {error}")
        one.answer = said if isinstance(said, Answer) else None
        one.ended.set()
        if one.stop.is_set():
            self._forget(one)
        self._threads.discard(threading.current_thread())

    def _copy_from_shared(self, one: _Try) -> bool:
        """Copy the original from the shared folder; False when it is not there as it should be."""
        content, shared = one.order.original, self._shared
        if shared is None:
            return False
        source = Path(content.name)
        if not source.is_absolute() or shared.resolve() not in source.resolve().parents:
            return False
        target = one.folder / "original"
        try:
            copied = durable.copy_new(source, target)
        except OSError:
            return False
        if copied == (content.sha256, content.bytes):
            return True
        target.unlink()
        return False

    def _give_up(self, one: _Try, why: str) -> Begun:
        for each in one.incoming.values():
            each.file.close()
            each.path.unlink(missing_ok=True)
        one.incoming.clear()
        self._forget(one)
        return Begun(state="wrong", why=why[:1000])

    def _forget(self, one: _Try) -> None:
        with self._lock:
            if self._tries.pop(one.order.token, None) is None:
                return
            is_idle = not self._tries
        for each in one.incoming.values():
            each.file.close()
            each.path.unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            trees.remove_tree(one.folder, below=self._folder)
        if is_idle:
            self._trim()

    def _trim(self) -> None:
        """Keep the profiles that were used last."""
        with contextlib.suppress(OSError):
            found = sorted(self._contents.iterdir(), key=lambda path: path.stat().st_mtime)
            for path in found[:-_MOST_PROFILES]:
                path.unlink()


def _is_below(name: str) -> bool:
    path = PurePosixPath(name)
    return bool(path.parts) and not path.is_absolute() and ".." not in path.parts
