"""What depends on nothing but profiles, kept from job to job.

A worker lives for one job, and most of what a conversion costs before its first pixel it would
compute for every picture of a destination again: points between which colours are interpolated,
a medium's boundary, its measurement model. They are kept in a folder (`keep_in`), each under the
hash of all that it depends on: profiles by their bytes, the numbers that say how, and `made_by`.
So nothing kept is ever out of date, and what comes out is the same, bit for bit, with the folder
and without it, whichever pictures came before.

Without a folder nothing is kept. What cannot be kept is computed again, and is no reason for a job
to fail: `trouble` says why.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Mapping
from functools import lru_cache, reduce
from importlib.metadata import version
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Indices
from hotfolder.colour.profile import Profile
from hotfolder.disk.kept_arrays import ArrayFolder, Arrays, Key

Row = tuple[str, tuple[int, ...]]
"""Type and shape of what is kept of a block."""

_WORTH_KEEPING = 64
"""A file is written anew for at least one new block to so many old ones."""

_LIBRARIES = ("numpy", "numba", "scipy")
_LOCK = threading.Lock()


class _Place:
    """Where this process keeps things, and what it has still to keep."""

    folder: ArrayFolder | None = None
    trouble: str = ""

    def __init__(self) -> None:
        self.open: list[KeptBlocks] = []


_PLACE = _Place()


def keep_in(folder: ArrayFolder | None) -> None:
    """Keep in a folder from now on, or nowhere; what this process has computed stays in it."""
    _PLACE.folder, _PLACE.trouble = folder, ""
    _PLACE.open.clear()


def save_new() -> str:
    """Keep blocks that are new, once the pixels are done.

    Returns
    -------
    Why something could not be kept; "" when all was.
    """
    for each in _PLACE.open:
        _try_to_save(each.save)
    return _PLACE.trouble


def arrays_for(what: str, depends: Mapping[str, object], compute: Callable[[], Arrays]) -> Arrays:
    """Return kept arrays, or compute them and keep them.

    Parameters
    ----------
    what
        Which function of `depends` they are.
    depends
        All that they depend on beside the version of program and libraries; profiles count by
        their bytes.
    compute
        Called when they are not kept.
    """
    folder = _PLACE.folder
    if folder is None:
        return compute()
    key = _key(what, depends)
    found = folder.load(key)
    if found is None:
        found = compute()
        made = found
        _try_to_save(lambda: folder.save(key, made))
    return found


def number_for(what: str, depends: Mapping[str, object], compute: Callable[[], float]) -> float:
    """Return a kept number, or compute it and keep it; as `arrays_for`."""
    found = arrays_for(what, depends, lambda: {"number": np.array([compute()], np.float64)})
    return float(found["number"][0])


class KeptBlocks:
    """What is known of blocks of a space, from earlier jobs and for later ones.

    Parameters
    ----------
    what, depends
        As `arrays_for` takes them.
    count
        Blocks of the space.
    rows
        What is kept of each, by name: type and shape.
    """

    def __init__(
        self, what: str, depends: Mapping[str, object], count: int, rows: Mapping[str, Row]
    ) -> None:
        self._folder = _PLACE.folder
        self._key = _key(what, depends)
        self._rows = rows
        self._count = count
        self._slots = np.full(count, -1, np.int32)
        self._new: dict[str, list[tuple[Indices, NDArray[Any]]]] = {name: [] for name in rows}
        self._lock = threading.Lock()
        self._stamp = self._folder.stamp(self._key) if self._folder else None
        self._kept = self._load()
        self._slots[self._kept["blocks"]] = np.arange(len(self._kept["blocks"]))
        if self._folder is not None:
            with _LOCK:
                _PLACE.open.append(self)

    def knows(self, name: str, blocks: Indices) -> NDArray[np.bool_]:
        """Say of each block whether it was kept by an earlier job; all that is kept of one is."""
        return np.asarray(self._slots[blocks] >= 0)

    def take(self, name: str, blocks: Indices) -> NDArray[Any]:
        """Return what is kept of blocks that are known, in their order."""
        return np.asarray(self._kept[name][self._slots[blocks]])

    def note(self, name: str, blocks: Indices, values: NDArray[Any]) -> None:
        """Note what was computed of blocks that are not known: first axis as `blocks`."""
        if self._folder is not None and len(blocks):
            kind, _ = self._rows[name]
            with self._lock:
                self._new[name].append((blocks, np.ascontiguousarray(values, kind)))

    def save(self) -> None:
        """Keep what was noted, beside what others have kept meanwhile.

        Raises
        ------
        OSError
            When it cannot be kept.
        """
        if self._folder is None:
            return
        with self._lock:
            new = {name: _joined(parts) for name, parts in self._new.items() if parts}
        if new.keys() != self._rows.keys():
            return
        kept = self._kept
        if self._folder.stamp(self._key) != self._stamp:
            kept = self._load()
        fresh = np.setdiff1d(
            reduce(np.intersect1d, (blocks for blocks, _ in new.values())), kept["blocks"]
        )
        if not len(fresh) or len(fresh) * _WORTH_KEEPING < len(kept["blocks"]):
            return
        # newest first, so that of a file that grows too large the oldest go
        room = max(len(fresh), self._folder.most_of_one // self._block_bytes) - len(fresh)
        arrays = {"blocks": np.concatenate([fresh, kept["blocks"][:room]]).astype("<i4")}
        for name, (blocks, values) in new.items():
            added = values[np.searchsorted(blocks, fresh)]
            arrays[name] = np.concatenate([added, kept[name][:room]])
        self._folder.save(self._key, arrays)

    @property
    def _block_bytes(self) -> int:
        return 4 + sum(
            np.dtype(kind).itemsize * int(np.prod(shape)) for kind, shape in self._rows.values()
        )

    def _load(self) -> Arrays:
        found = self._folder.load(self._key) if self._folder else None
        if found is not None and self._fits(found):
            return found
        return {
            "blocks": np.empty(0, "<i4"),
            **{name: np.empty((0, *shape), kind) for name, (kind, shape) in self._rows.items()},
        }

    def _fits(self, found: Arrays) -> bool:
        blocks = found.get("blocks")
        if blocks is None or found.keys() != {"blocks", *self._rows} or blocks.ndim != 1:
            return False
        if blocks.size and not 0 <= blocks.min() <= blocks.max() < self._count:
            return False
        return all(
            found[name].dtype == np.dtype(kind) and found[name].shape == (len(blocks), *shape)
            for name, (kind, shape) in self._rows.items()
        )


def _joined(parts: list[tuple[Indices, NDArray[Any]]]) -> tuple[Indices, NDArray[Any]]:
    """Put parts together, by rising index of the block."""
    blocks = np.concatenate([each for each, _ in parts])
    order = np.argsort(blocks)
    return blocks[order], np.concatenate([values for _, values in parts])[order]


def _try_to_save(save: Callable[[], None]) -> None:
    try:
        save()
    except OSError as error:
        _PLACE.trouble = f"{error.filename or 'points'}: {error.strerror or error}"


def _key(what: str, depends: Mapping[str, object]) -> Key:
    named = {
        name: value.sha256 if isinstance(value, Profile) else _plain(value)
        for name, value in depends.items()
    }
    return {"what": what, "made by": made_by(), **named}


def _plain(value: object) -> str | int | float | bool | None:
    if value is None or isinstance(value, str | bool | int | float):
        return value
    raise TypeError(f"{value!r} says nothing of what it depends on")


@lru_cache(maxsize=1)
def made_by() -> str:
    """Say by what things are computed: the source of this package, and the libraries it uses.

    By the source itself and not by a number that somebody must remember to raise.
    """
    digest = hashlib.sha256(imagecodecs.cms_version().encode())
    for name in _LIBRARIES:
        digest.update(f"{name} {version(name)};".encode())
    for path in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()
