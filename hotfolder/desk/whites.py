"""What could be white in a held picture, for a person who decides it at the desk.

It is looked for in a worker, one picture after the other, when somebody opens the page of a job
whose destination can balance a picture for a place; the page shows it as soon as it is there. It is
kept in memory, and nothing is written.
"""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from hotfolder.desk.forms import Form
from hotfolder.desk.pictures import take_views
from hotfolder.disk.durable import open_to_read
from hotfolder.disk.pulse import Errand
from hotfolder.ending.elsewhere import find_original
from hotfolder.ending.release import changes_so_far
from hotfolder.errors import HotfolderError, Problem, SettingsError
from hotfolder.ledger.details import State
from hotfolder.ledger.reading import JobRow
from hotfolder.model.wishes import WhiteWish
from hotfolder.settings.changes import grant, with_changes
from hotfolder.settings.files import Destination, check_destination
from hotfolder.settings.root import Root
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from hotfolder.stages.roles import WhiteChoice
from hotfolder.work.light import show_whites
from hotfolder.work.trial import destinations, workplace

WIDTHS_PX: Final = (640, 320)
"""How wide the picture is shown in which a person points at a place: on wide and narrow pages.

A form says where in the picture as shown it was pointed at, and not how large it is shown."""

CAME: Final = "came"
"""The name of the picture as it came."""

_MOST_KEPT: Final = 24
_MOST_WAITING: Final = 8
_MOST_PAGE_BYTES: Final = 16 * 2**20


@dataclass(frozen=True)
class Whites:
    """What could be white in a picture, as far as it is known."""

    is_done: bool = False
    """Whether it has been looked for."""
    problem: str = ""
    """Why nobody can say, as a sentence; "" when somebody can."""
    choices: tuple[WhiteChoice, ...] = ()
    picture_px: tuple[int, int] = (1, 1)
    """Width and height of the pictures."""
    views: Mapping[str, bytes] = field(default_factory=dict)
    """JPEG files by the name of the view."""
    version: str = ""
    """For the addresses of its pictures."""


class WhitesInPictures:
    """Looks for what could be white in pictures, in a thread of its own."""

    def __init__(self, root: Root) -> None:
        self._root = root
        self._known: OrderedDict[str, Whites] = OrderedDict()
        """By SHA-256 of the original."""
        self._asked: set[str] = set()
        self._lock = threading.Lock()
        self._turn = threading.Lock()
        self._ending = threading.Event()

    def end(self) -> None:
        """Look for no more."""
        self._ending.set()

    def find(self, row: JobRow) -> Whites | None:
        """Return what is known of a held job's picture, and begin to look where nothing is.

        Returns
        -------
        None when the job is not held, or nothing at its destination is balanced for a place.
        """
        if row.state is not State.HELD or not row.sha256 or not self._can_grant(row):
            return None
        with self._lock:
            known = self._known.get(row.sha256)
            if known is not None:
                self._known.move_to_end(row.sha256)
                return known
            begins = row.sha256 not in self._asked and len(self._asked) < _MOST_WAITING
            if begins:
                self._asked.add(row.sha256)
        if begins:
            Errand("what is white", lambda: self._run(row))
        return Whites()

    def read(self, row: JobRow, name: str) -> bytes | None:
        """Return a picture of a held job, a JPEG; None when there is none."""
        known = self._known.get(row.sha256 or "")
        return known.views.get(name) if known else None

    def _can_grant(self, row: JobRow) -> bool:
        """Whether the job's destination, as it is for this job, can balance a picture."""
        path = self._root.destinations / f"{row.destination}.toml"
        try:
            (there,) = destinations(self._root, [row.destination])
            raw = with_changes(there.raw, row.placement.changes if row.placement else {})
            raw = with_changes(raw, changes_so_far(row.record) if row.record else {})
            made_with = check_destination(path, raw, load_registry(self._root.plugins), Intake())
            return bool(grant(WhiteWish((0.5, 0.5)), made_with))
        except HotfolderError:
            return False  # what is wrong with its settings is said elsewhere

    def _run(self, row: JobRow) -> None:
        sha256 = row.sha256 or ""
        try:
            with self._turn:
                found = self._look(row)
        except (HotfolderError, OSError) as error:
            found = Whites(is_done=True, problem=str(error))
        except BaseException:
            with self._lock:
                self._asked.discard(sha256)
            raise
        with self._lock:
            self._asked.discard(sha256)
            if not self._ending.is_set():
                self._known[sha256] = found
            while len(self._known) > _MOST_KEPT:
                self._known.popitem(last=False)

    def _look(self, row: JobRow) -> Whites:
        destination: Destination
        (destination,) = destinations(self._root, [row.destination])

        def tell(_doing: str, _share: float) -> None:
            if self._ending.is_set():
                raise HotfolderError("the desk is ending")

        with workplace() as folder:
            image = find_original(self._root, row)
            told = show_whites(self._root, image, destination, folder, tell)
            with open_to_read(told.file) as file:
                page = file.read(_MOST_PAGE_BYTES)
        return Whites(
            is_done=True,
            choices=told.found.choices,
            picture_px=told.found.picture_px,
            views=dict(take_views(page)),
            version=(row.sha256 or "")[:16],
        )


def read_white(form: Form) -> WhiteWish | None:
    """Read which place a person says is white; None when they say nothing of it.

    Raises
    ------
    SettingsError
        When they point at no place in the picture.
    """
    if text := form.text("white", 40):
        return _read(text)
    for width in WIDTHS_PX:
        if form.has(f"white-{width}.x"):
            return _read_pointed(form, width)
    if form.has("left"):
        left, top = (form.text(each, 12).removesuffix("%").strip() for each in ("left", "top"))
        return _read(f"{left}%,{top}%")
    return None


def _read_pointed(form: Form, width: int) -> WhiteWish:
    """Read where in a picture that was shown so wide somebody has pointed."""
    try:
        x, y = (float(form.text(f"white-{width}.{each}", 12)) for each in "xy")
        across, down = (int(each) for each in form.text("shown", 20).split("x"))
        at = x / width, y / (width * down / across)
    except (ValueError, ZeroDivisionError):
        at = math.nan, math.nan
    # a key that is pressed on a picture points at its corner
    if at == (0, 0) or not all(0 <= each <= 1 for each in at):
        got = "No place in the picture was pointed at"
        allowed = "a click on the place, or the two numbers below the picture"
        raise SettingsError([Problem("", "", got, allowed)])
    return WhiteWish(at)


def _read(text: str) -> WhiteWish:
    try:
        return WhiteWish.named(text)
    except ValueError as error:
        raise SettingsError([Problem("", "", text, str(error))]) from None
