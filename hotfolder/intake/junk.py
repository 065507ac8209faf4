"""What systems and programs leave in folders and nobody wants printed; left alone and counted."""

from __future__ import annotations

import re

from hotfolder.disk.durable import TEMPORARY_PREFIX

_NAMES = frozenset({
    "thumbs.db", "ehthumbs.db", "desktop.ini", "icon\r", "__macosx", "lost+found", "$recycle.bin",
    "system volume information",
})  # fmt: skip
_PREFIXES = (".", "~$")
_SUFFIXES = (".part", ".partial", ".filepart", ".crdownload", ".download", ".tmp", ".temp")

_SET_ASIDE = re.compile(re.escape(TEMPORARY_PREFIX) + r"(\d{8}-\d{6}-[0-9a-f]{8})")


def job_of(name: str) -> str | None:
    """Return the job for which a dropped file stands under this name, while it is copied; or None.

    Such a file is somebody's, and must not be left alone as junk.

    Examples
    --------
    >>> job_of(".hotfolder-20260131-235959-0123abcd")
    '20260131-235959-0123abcd'
    """
    found = _SET_ASIDE.fullmatch(name)
    return found[1] if found else None


def is_junk(name: str) -> bool:
    """Tell whether a file or folder of this name is never a picture someone dropped.

    Every name that starts with a dot is: systems and programs hide there what is theirs (among
    it our own marker and temporary names), and copy programs what they have not finished.

    Examples
    --------
    >>> [is_junk(name) for name in ("._reeds.tif", "Thumbs.db", "reeds.tif.part", "reeds.tif")]
    [True, True, True, False]
    """
    lower = name.casefold()
    return lower in _NAMES or lower.startswith(_PREFIXES) or lower.endswith(_SUFFIXES)
