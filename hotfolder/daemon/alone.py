"""One root writes into a folder of results, and into the log in it.

A root that was copied has the same settings, and where those lead out of the root, the same
folders. Two daemons would write their records into one log, in which each takes the other's for
forged, and what was under way in both would be delivered twice. So who serves a folder of results
holds a name for it. The folder itself is not kept open, which would keep its disk from being
unmounted. Nothing is known of daemons on other machines.
"""

from __future__ import annotations

import threading
from collections import defaultdict
from collections.abc import Collection
from pathlib import Path
from typing import NamedTuple

from hotfolder.disk import platforms, pulse
from hotfolder.disk.marker import marker_id
from hotfolder.errors import StorageError


class _Held(NamedTuple):
    name: str
    let_go: platforms.Release


class Alone:
    """Holds the folders of results that this daemon writes to; safe from several threads."""

    def __init__(self) -> None:
        self._held: dict[Path, _Held] = {}
        # one for each folder: a share that hangs keeps no other destination waiting
        self._locks: defaultdict[Path, threading.Lock] = defaultdict(threading.Lock)

    def take(self, results: Path, settings: Path) -> None:
        """Hold a folder of results, unless it is held already.

        settings: the file that says where it is, for the message.

        Raises
        ------
        StorageError
            When another root is served that writes there; can be called again.
        """
        pulse.beat(results)
        with self._locks[results]:
            try:
                found = results.stat()
            except OSError:
                return  # it is away, which others say
            name = f"hotfolder-{found.st_dev}-{found.st_ino}-{marker_id(results)}"
            before = self._held.get(results)
            if before is not None and before.name == name:
                return
            let_go = platforms.hold_name(name)
            if let_go is None:
                raise StorageError(
                    f"another root is served that writes into {results}, too: this one may be its "
                    "copy. Stop serving one of the two, or give this one folders of its own, in "
                    f"{settings}; the work continues by itself"
                )
            if before is not None:  # another disk was mounted there
                before.let_go()
            self._held[results] = _Held(name, let_go)

    def keep_only(self, used: Collection[Path]) -> None:
        """Let go of all but these."""
        for results in [each for each in self._held if each not in used]:
            self._held.pop(results).let_go()
