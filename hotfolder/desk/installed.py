"""Whether the program that is installed is still the one that this desk was started from.

A desk that is open while the program is updated has its code in memory, and fills in pages that
are new on the disk: what it shows then may not fit. It says so, and asks to be started again.
"""

from __future__ import annotations

import hashlib
import os
import time
from pathlib import Path
from typing import Final

SAYS: Final = (
    "The program was updated since this desk was started. End the desk with Ctrl-C, or its service,"
    " and start it again; the work goes on meanwhile."
)

_ENDS = (".py", ".html", ".css", ".js")
_EVERY_S = 5.0


class Installed:
    """Compares the files of the package with what they were at the start."""

    def __init__(self, package: Path = Path(__file__).parents[1]) -> None:
        self._package = package
        self._at_start = _stamp_of(package)
        self._looked_at = time.monotonic()
        self._is_another = False

    def is_another(self) -> bool:
        """Whether the package is another than at the start; looked at once in a few seconds."""
        now = time.monotonic()
        if not self._is_another and now >= self._looked_at + _EVERY_S:
            self._looked_at = now
            self._is_another = self.look()
        return self._is_another

    def look(self) -> bool:
        """Look at once."""
        return _stamp_of(self._package) != self._at_start


def _stamp_of(package: Path) -> str:
    said = hashlib.sha256()
    for folder, folders, names in os.walk(package):
        folders.sort()
        for name in sorted(names):
            if name.endswith(_ENDS):
                try:
                    status = os.stat(f"{folder}/{name}")  # noqa: PTH116 - hundreds of them
                except FileNotFoundError:
                    continue  # it is being replaced just now
                said.update(f"{name} {status.st_size} {status.st_mtime_ns}\n".encode())
    return said.hexdigest()
