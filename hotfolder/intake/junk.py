"""What systems and programs leave in folders and nobody wants printed; left alone and counted."""

from __future__ import annotations

_NAMES = frozenset({
    "thumbs.db", "ehthumbs.db", "desktop.ini", "icon\r", "__macosx", "lost+found", "$recycle.bin",
    "system volume information",
})  # fmt: skip
_PREFIXES = (".", "~$")
_SUFFIXES = (".part", ".partial", ".filepart", ".crdownload", ".download", ".tmp", ".temp")


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
