"""Files dropped into the page: streamed to the disk of a hot folder, then subject to its rules.

A file comes in under a name that no scan takes (`intake.junk`), is flushed, and only then gets a
name of its own, never that of another. From there on it is what anybody has dropped. One that was
broken off is removed; what a kill leaves is removed by the next desk, a day later.
"""

from __future__ import annotations

import contextlib
import secrets
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import BinaryIO, Final, Self

from python_multipart.exceptions import MultipartParseError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from hotfolder.desk import errands
from hotfolder.desk.access import Visitor, is_token
from hotfolder.desk.forms import GUARDED_BY
from hotfolder.desk.guard import visitor_of
from hotfolder.desk.reading import folders_of
from hotfolder.desk.showing import Shown
from hotfolder.disk import durable, names, platforms
from hotfolder.disk.free_names import free_name
from hotfolder.disk.marker import MARKER, check_marker, make_marked_folders
from hotfolder.errors import StorageError
from hotfolder.intake.junk import is_junk
from hotfolder.settings.files import SETTINGS_FILE, has_tickets, read_root_file, read_title
from hotfolder.settings.root import Root
from hotfolder.settings.tables import RootFile

GUARDED_BY_HEADER: Final = "x-desk-token"
_COMING: Final = f"{durable.TEMPORARY_PREFIX}coming-"
_LEFT_S = 86400
_PIECE = 2**20
_LOOK_EVERY = 64 * 2**20
_MOST_AT_ONCE = 4
_MOST_FIELD_BYTES = 4096
_STALE = "This page is out of date: load it again.\n"


class NotTaken(StorageError):
    """A file that was dropped into the page is not taken in."""

    def __init__(self, says: str, status: int = 409) -> None:
        super().__init__(says)
        self.status = status


class Arrivals:
    """The page to drop files into, and what takes them in."""

    def __init__(self, root: Root, shown: Shown, dropped: Callable[[], None]) -> None:
        """Prepare; dropped: called when a file has been dropped."""
        self._root = root
        self._shown = shown
        self._dropped = dropped
        self._coming = 0

    def routes(self) -> list[Route]:
        """Return their routes."""
        return [
            Route("/drop", self.show),
            Route("/drop/{name}", self.take_one, methods=["PUT"]),
            Route("/drop/{name}", self.take_form, methods=["POST"]),
            Route("/drop/{name}/{batch}", self.take_one, methods=["PUT"]),
            Route("/drop/{name}/{batch}", self.take_form, methods=["POST"]),
        ]

    async def show(self, request: Request) -> Response:
        """Show where files can be dropped."""
        if not visitor_of(request).may_decide:
            return PlainTextResponse("This desk only shows; nothing is dropped here.\n", 403)
        found = await errands.do(partial(_list_destinations, self._root))
        of_tickets = await errands.do(partial(_list_of_tickets, self._root))
        return self._shown.page(request, "drop.html", destinations=found, of_tickets=of_tickets)

    async def take_one(self, request: Request) -> Response:
        """Take in one file, which is the whole request; its name is in the address."""
        visitor = visitor_of(request)
        if not visitor.may_decide or not is_token(
            visitor, request.headers.get(GUARDED_BY_HEADER, "")
        ):
            return PlainTextResponse(_STALE, 403)
        called = request.query_params.get("called", "")
        coming = _Coming(self._root, _target_of(request), called, _length_of(request))
        try:
            async with self._one_more(), coming:
                async for piece in request.stream():
                    await coming.write(piece)
                landed = await coming.land()
        except ClientDisconnect:
            return Response(status_code=400)
        except StorageError as error:
            status = error.status if isinstance(error, NotTaken) else 503
            return PlainTextResponse(f"{names.display_name(str(error))}\n", status)
        self._dropped()
        return PlainTextResponse(f"{names.display_name(landed)}\n", 201)

    async def take_form(self, request: Request) -> Response:
        """Take in the files of a form, one after the other: the way without a script."""
        visitor = visitor_of(request)
        kind, options = parse_options_header(request.headers.get("content-type", ""))
        boundary = options.get(b"boundary")
        if not visitor.may_decide or kind != b"multipart/form-data" or not boundary:
            return PlainTextResponse(_STALE, 403)
        landed: list[str] = []
        try:
            async with self._one_more():
                is_ours = await self._take_parts(request, visitor, boundary, landed)
        except ClientDisconnect:
            return Response(status_code=400)
        except MultipartParseError:
            return PlainTextResponse("This is no form of the desk.\n", 400)
        except StorageError as error:
            status = error.status if isinstance(error, NotTaken) else 503
            before = [f"Dropped before it: {', '.join(landed)}."] if landed else []
            return self._shown.message(
                request, "This was not taken in", str(error), *before, status=status, back="/drop"
            )
        if not is_ours:
            return PlainTextResponse(_STALE, 403)
        self._dropped()
        said = "One file was dropped" if len(landed) == 1 else f"{len(landed)} files were dropped"
        return self._shown.message(request, said, *map(names.display_name, landed), back="/")

    async def _take_parts(
        self, request: Request, visitor: Visitor, boundary: bytes, landed: list[str]
    ) -> bool:
        """Take in every file of a form; return whether it carries the session's token, first."""
        parts = _Parts(boundary)
        is_ours, length = False, _length_of(request) or 0
        coming: _Coming | None = None
        try:
            async for piece in request.stream():
                for event, value in parts.read(piece):
                    if event == "field":
                        is_ours = is_ours or is_token(visitor, value.decode("utf-8", "replace"))
                    if not is_ours:
                        return False
                    if event == "file":
                        called = value.decode("utf-8", "surrogateescape")
                        coming = _Coming(self._root, _target_of(request), called, None, length)
                        await coming.__aenter__()
                    elif event == "data" and coming:
                        await coming.write(value)
                    elif event == "end" and coming:
                        landed.append(await coming.land())
                        coming = None
        finally:
            if coming:
                await coming.__aexit__(None, None, None)
        return is_ours

    @asynccontextmanager
    async def _one_more(self) -> AsyncIterator[None]:
        if self._coming >= _MOST_AT_ONCE:
            raise NotTaken("Several files are coming in already. Drop it again in a moment.", 503)
        self._coming += 1
        try:
            yield
        finally:
            self._coming -= 1


_Target = tuple[str, str]
"""A destination, and its batch; "" for none."""


class _Coming:
    """One file on its way into a hot folder."""

    def __init__(
        self, root: Root, target: _Target, called: str, expected: int | None, at_most: int = 0
    ) -> None:
        """Prepare; expected: its bytes, if they are known; at_most: of them, at least a guess."""
        self._root = root
        self._destination, self._batch = target
        self._called = called
        self._expected = expected
        self._room_for = expected or at_most or 0
        self._settings = RootFile()
        self._folder = Path()
        self._temporary: Path | None = None
        self._file: BinaryIO | None = None
        self._buffer = bytearray()
        self._bytes = 0
        self._looked_at = 0

    async def __aenter__(self) -> Self:
        await errands.do(self._open)
        return self

    async def __aexit__(self, *_: object) -> None:
        await errands.do(self._remove)

    async def write(self, piece: bytes) -> None:
        """Write more of it; in large pieces, each in a thread.

        Raises
        ------
        NotTaken
            When it is larger than is allowed, or the disk is nearly full.
        """
        self._bytes += len(piece)
        if self._bytes > self._settings.desk.largest_file:
            raise NotTaken(_say_too_large(self._settings), 413)
        self._buffer += piece
        if len(self._buffer) >= _PIECE:
            await errands.do(self._flush)

    async def land(self) -> str:
        """Give it its name in the hot folder, when it is whole and on disk; return the name.

        Raises
        ------
        NotTaken
            When it is not whole.
        """
        if self._expected is not None and self._bytes != self._expected:
            raise NotTaken("It was broken off; drop it again.", 400)
        if not self._bytes:
            raise NotTaken("It is empty.", 400)
        return await errands.do(self._land)

    def _open(self) -> None:
        if self._destination not in list_names(self._root):
            raise NotTaken("There is no such destination.", 404)
        if self._batch and not is_folder_of_batch(self._batch):
            raise NotTaken("No batch can be called so.", 404)
        # a browser may send a whole path of another system
        name = names.safe_component(self._called.replace("\\", "/").rpartition("/")[2])
        if not self._called or is_junk(name) or name == MARKER:
            raise NotTaken("A file of this name is never taken for a picture.", 400)
        self._called = name
        self._settings = read_root_file(self._root.path)
        if self._room_for > self._settings.desk.largest_file:
            raise NotTaken(_say_too_large(self._settings), 413)
        self._folder = folders_of(self._root, self._destination).hot_folder
        check_marker(self._folder)
        self._check_room(self._room_for)
        self._temporary = self._folder / f"{_COMING}{secrets.token_hex(8)}"
        self._file = self._temporary.open("xb")

    def _flush(self) -> None:
        if self._file is None:
            raise NotTaken("It is closed already.", 400)
        self._file.write(self._buffer)
        self._buffer.clear()
        if self._bytes - self._looked_at >= _LOOK_EVERY:
            self._looked_at = self._bytes
            self._check_room(0)

    def _check_room(self, size: int) -> None:
        free, floor = platforms.free_bytes(self._folder), self._settings.free_space
        if free - size < floor:
            raise NotTaken(
                f"The disk of {self._folder} would have less than {floor / 2**20:.0f} MiB left "
                f"(free_space in {SETTINGS_FILE}). Make room, and drop it again.",
                507,
            )

    def _land(self) -> str:
        self._flush()
        if self._file is None or self._temporary is None:
            raise NotTaken("It is closed already.", 400)
        self._file.close()
        self._file = None
        durable.fsync_file(self._temporary)
        check_marker(self._folder)
        folder = self._folder / self._batch
        make_marked_folders(folder)
        while True:
            target = free_name(folder, self._called)
            try:
                durable.move_new(self._temporary, target)
            except FileExistsError:
                continue  # somebody else has just taken the name
            self._temporary = None
            return target.name

    def _remove(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None
        if self._temporary is not None:
            self._temporary.unlink(missing_ok=True)
            self._temporary = None


class _Parts:
    """Reads a form of several parts (RFC 7578) as it comes; nothing of a file is kept."""

    def __init__(self, boundary: bytes) -> None:
        self._events: list[tuple[str, bytes]] = []
        self._name = self._value = b""
        self._headers: dict[bytes, bytes] = {}
        self._is_file = False
        self._field = bytearray()
        self._parser = MultipartParser(
            boundary,
            {
                "on_part_begin": self._begin,
                "on_header_field": self._add_name,
                "on_header_value": self._add_value,
                "on_header_end": self._end_header,
                "on_headers_finished": self._end_headers,
                "on_part_data": self._add_data,
                "on_part_end": self._end,
            },
            max_header_count=8,
            max_header_size=4096,
        )

    def read(self, piece: bytes) -> list[tuple[str, bytes]]:
        """Return what has come: ``field`` and its value; ``file`` and its name, ``data``, ``end``.

        Raises
        ------
        MultipartParseError
            When it is no such form.
        """
        self._events = []
        self._parser.write(piece)
        return self._events

    def _begin(self) -> None:
        self._headers, self._is_file = {}, False
        self._field.clear()

    def _add_name(self, data: bytes, start: int, end: int) -> None:
        self._name += data[start:end]

    def _add_value(self, data: bytes, start: int, end: int) -> None:
        self._value += data[start:end]

    def _end_header(self) -> None:
        self._headers[self._name.lower()] = self._value
        self._name = self._value = b""

    def _end_headers(self) -> None:
        _, options = parse_options_header(self._headers.get(b"content-disposition", b""))
        called = options.get(b"filename")
        self._is_file = bool(called)  # a field for files in which none was chosen has no name
        if called:
            self._events.append(("file", called))
        elif options.get(b"name") != GUARDED_BY.encode():
            self._headers = {}

    def _add_data(self, data: bytes, start: int, end: int) -> None:
        if self._is_file:
            self._events.append(("data", data[start:end]))
        elif self._headers and len(self._field) + end - start <= _MOST_FIELD_BYTES:
            self._field += data[start:end]

    def _end(self) -> None:
        if self._is_file:
            self._events.append(("end", b""))
        elif self._headers:
            self._events.append(("field", bytes(self._field)))


def clear_left(root: Root) -> None:
    """Remove what a kill has left of files that were coming in, when it is a day old."""
    for destination in list_names(root):
        folder = folders_of(root, destination).hot_folder
        with contextlib.suppress(OSError):
            for path in folder.glob(f"{_COMING}*"):
                if time.time() - path.lstat().st_mtime > _LEFT_S:
                    path.unlink(missing_ok=True)


def is_folder_of_batch(batch: str) -> bool:
    """Whether what is dropped into a folder of this name belongs to the batch of this name."""
    return bool(batch) and names.distinct_component(batch) == batch and not is_junk(batch)


def _target_of(request: Request) -> _Target:
    return request.path_params["name"], request.path_params.get("batch", "")


def list_names(root: Root) -> list[str]:
    """List the names of all destinations that have a file."""
    return sorted(path.stem for path in root.destinations.glob("*.toml"))


def _list_destinations(root: Root) -> list[tuple[str, str]]:
    """Names of destinations, and what people call them."""
    return [(name, read_title(root.destinations / f"{name}.toml")) for name in list_names(root)]


def _list_of_tickets(root: Root) -> frozenset[str]:
    """Names of destinations that work on tickets."""
    return frozenset(
        name for name in list_names(root) if has_tickets(root.destinations / f"{name}.toml")
    )


def _length_of(request: Request) -> int | None:
    said = request.headers.get("content-length", "")
    return int(said) if said.isdecimal() else None


def _say_too_large(settings: RootFile) -> str:
    most = settings.desk.largest_file / 2**30
    return (
        f"It is larger than {most:g} GiB (largest_file in [desk] of {SETTINGS_FILE}). Copy it into "
        "the hot folder instead."
    )
