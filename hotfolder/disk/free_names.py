"""Names in folders of ours that nothing has yet: no name is given twice, and none that we need."""

from __future__ import annotations

import os
from collections.abc import Collection
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
    "failure.txt", "attachments",
})  # fmt: skip
"""What the folder of a held or refused job has beside the original."""


def free_name(folder: Path, name: str, ours: Collection[str] = ()) -> Path:
    """Return a name in `folder` that no file has, not even in another case or normal form.

    ours: names that are kept for us although nothing has them yet.
    """
    taken = set(ours)
    if folder.is_dir():
        taken.update(map(names.collision_key, os.listdir(folder)))  # noqa: PTH208 - names, not paths
    stem, suffix = Path(name).stem, Path(name).suffix
    number = 1
    while True:
        candidate = names.result_name(stem, suffix, number)
        if names.collision_key(candidate) not in taken:
            return folder / candidate
        number += 1


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
