"""Names in folders of ours that nothing has yet: no name is given twice, and none that we need."""

from __future__ import annotations

import os
from collections import OrderedDict
from collections.abc import Callable, Collection
from pathlib import Path, PurePosixPath
from typing import Final

from hotfolder.disk import names
from hotfolder.model.records import SHEET

SUPERSEDED: Final = "superseded"
"""In a destination's results: a folder per batch, for what its ticket no longer asks for."""

OF_RESULTS: Final = frozenset({"log.jsonl", "index.html", "sheets", SUPERSEDED})
"""What is ours in a destination's results, where a dropped sub-folder may want the same name.

``sheets`` as a whole: a folder ``index.html`` in it would be in the way of its page.
"""

ATTACHMENTS: Final = "attachments"
"""In the folder of a held or refused job: what stages left for people, under names of theirs."""

OF_JOBS: Final = frozenset({
    "record.json", "why.txt", "release.json", "result", f"{SHEET}.html", f"{SHEET}.jpg",
    "failure.txt", ATTACHMENTS,
})  # fmt: skip
"""What the folder of a held or refused job has beside the original."""


class TakenNames:
    """Names in folders of ours; what it costs to find a free one does not grow with the folder.

    A small folder is read each time. A large one is read once: after that the names that were given
    here are known, and each is looked for on disk before it counts as taken. So a file that
    somebody else puts into a large folder counts by its very name only, and not in another case.

    Used by one thread at a time.
    """

    def __init__(self, small: int = 500, folders: int = 32) -> None:
        """Prepare; small: a folder of so many names is read each time; folders: kept in memory."""
        self._small = small
        self._folders = folders
        self._known: OrderedDict[Path, dict[str, str]] = OrderedDict()

    def find_free(self, folder: Path, name: str, ours: Collection[str] = ()) -> Path:
        """Return a name in `folder` that no file has, not even in another case or normal form.

        It counts as given. ours: names that are kept for us although nothing has them yet.
        """
        taken = self._read(folder)
        stem, suffix = Path(name).stem, Path(name).suffix

        def is_taken(number: int) -> bool:
            candidate = names.result_name(stem, suffix, number)
            key = names.collision_key(candidate)
            if key in ours or os.path.lexists(folder / candidate):
                return True
            if key not in taken:
                return False
            if os.path.lexists(folder / (taken[key] or candidate)):
                return True
            del taken[key]  # it was collected
            return False

        candidate = names.result_name(stem, suffix, _find_first_free(is_taken))
        key = names.collision_key(candidate)
        taken[key] = "" if key == candidate else candidate
        return folder / candidate

    def _read(self, folder: Path) -> dict[str, str]:
        """Names by how they are compared; "" for one that is written so."""
        if folder in self._known:
            self._known.move_to_end(folder)
            return self._known[folder]
        listed = os.listdir(folder) if folder.is_dir() else []  # noqa: PTH208 - names, not paths
        keys = ((names.collision_key(name), name) for name in listed)
        found = {key: "" if key == name else name for key, name in keys}
        if len(found) > self._small:
            self._known[folder] = found
            if len(self._known) > self._folders:
                self._known.popitem(last=False)
        return found


def _find_first_free(is_taken: Callable[[int], bool]) -> int:
    """Find a number that is free; the first one where all before it are taken.

    The same name may have come a hundred thousand times, so not every number is tried.
    """
    if not is_taken(1):
        return 1
    low, high = 1, 2
    while is_taken(high):
        low, high = high, high * 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if is_taken(middle) else (low, middle)
    return high


def free_name(folder: Path, name: str, ours: Collection[str] = ()) -> Path:
    """Return a name in `folder` that no file has, not even in another case or normal form.

    ours: names that are kept for us although nothing has them yet.
    """
    return TakenNames().find_free(folder, name, ours)


def free_folder(top: Path, below: PurePosixPath, ours: Collection[str] = ()) -> Path:
    """Return the folder `below` `top`; where a file stands in its way, one of another name.

    ours: names directly in `top` that are kept for files of ours. Parts of `below` are safe
    components.

    Examples
    --------
    >>> free_folder(Path("out"), PurePosixPath("log.jsonl/plates"), OF_RESULTS).as_posix()
    'out/log.jsonl-2/plates'
    """
    found = top
    for part in below.parts:
        number, candidate = 1, part
        while _in_the_way(found / candidate) or (
            found is top and names.collision_key(candidate) in ours
        ):
            number += 1
            candidate = names.result_name(part, "", number)
        found /= candidate
    return found


def _in_the_way(path: Path) -> bool:
    return os.path.lexists(path) and not path.is_dir()
