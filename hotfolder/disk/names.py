"""Names of files: showing what strangers chose, and making names that every system can hold.

A name is kept as the bytes it came as; `display_name` is for eyes only. Names that we write go
through `safe_component`.
"""

from __future__ import annotations

import hashlib
import os
import unicodedata
from itertools import count
from pathlib import PurePosixPath

MAX_COMPONENT_BYTES = 120
"""Below the 255 bytes of Linux and 255 characters of Windows and macOS, with room to add to."""

MAX_RELATIVE_BYTES = 1000
"""For a relative path; PATH_MAX of Linux is 4096 and of macOS 1024, for the whole path."""

_UNNAMED = "unnamed"
_MAX_SUFFIX_BYTES = 16
_FORBIDDEN = frozenset('<>:"/\\|?*')
"""Not allowed in a name on Windows: "Naming Files, Paths, and Namespaces", Microsoft Learn."""

_RESERVED = frozenset(
    ["con", "prn", "aux", "nul", "conin$", "conout$"]
    + [f"{port}{digit}" for port in ("com", "lpt") for digit in "0123456789¹²³"]
)
"""Names of devices on Windows, also when a suffix follows; same source."""

_INVISIBLE = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""Unicode categories: controls, formats (directions among them), surrogates, unassigned, line ends.
"""


def display_name(raw: bytes | str) -> str:
    r"""Make a name fit for showing in one line: what cannot be seen becomes a visible escape.

    Bytes that are no UTF-8, lone surrogates, controls, and marks that change the direction of
    writing are shown as ``\x1b``, ``\u202e``. The result is valid Unicode on one line; it is not
    escaped for HTML or CSV, and is not a name to open a file by.

    Examples
    --------
    >>> display_name(b"reed\xe9s\n.tif")
    'reed\\xe9s\\x0a.tif'
    """
    text = raw.decode("utf-8", "surrogateescape") if isinstance(raw, bytes) else raw
    return "".join(_visible(character) for character in text)


def display_lines(text: str) -> str:
    """Make a message of several lines fit for a terminal: as `display_name`, but lines stay."""
    return "\n".join(map(display_name, text.split("\n")))


def safe_component(text: str) -> str:
    """Make one path component that every common file system can hold, near to `text`.

    Composed normal form (NFC), at most `MAX_COMPONENT_BYTES` of UTF-8 with the suffix kept, no
    separator, control or direction mark, no leading dot, no trailing dot or space, no device name
    of Windows; never empty. Different texts can give the same component.

    Examples
    --------
    >>> safe_component("../tide: low?.tif")
    '_._tide_ low_.tif'
    >>> safe_component("aux.tif")
    '_aux.tif'
    """
    text = unicodedata.normalize("NFC", text)
    text = "".join("_" if _is_unsafe(character) else character for character in text)
    text = text.strip(" ").rstrip(". ")
    if text.startswith("."):
        text = f"_{text[1:]}"
    if text.partition(".")[0].rstrip(" ").casefold() in _RESERVED:
        text = f"_{text}"
    return _shortened(text, MAX_COMPONENT_BYTES).rstrip(". ") or _UNNAMED


def distinct_component(text: str) -> str:
    """Make one safe component as `safe_component`, but another one for each different text.

    Where that changes more than the normal form, a mark made from the whole text is added.

    Examples
    --------
    >>> distinct_component("spring tide"), distinct_component("spring: tide")
    ('spring tide', 'spring_ tide-5ad5e75d')
    """
    safe = safe_component(text)
    if safe == unicodedata.normalize("NFC", text):
        return safe
    mark = hashlib.sha256(os.fsencode(text)).hexdigest()[:8]
    return result_name(safe, f"-{mark}", 1)


def safe_relative(path: str | PurePosixPath) -> PurePosixPath:
    """Make a relative path of safe components; it never leads outside, whatever `path` says.

    A path longer than `MAX_RELATIVE_BYTES` loses its outermost folders.

    Examples
    --------
    >>> safe_relative("../spring tide//plates/./con")
    PurePosixPath('_/spring tide/plates/_con')
    """
    kept: list[str] = []
    room = MAX_RELATIVE_BYTES
    for part in reversed(str(path).split("/")):
        if part in {"", "."}:
            continue
        component = "_" if part == ".." else safe_component(part)
        room -= len(component.encode()) + 1
        if room < 0:
            break
        kept.insert(0, component)
    return PurePosixPath(*kept)


def collision_key(relative: str) -> str:
    r"""Return what two names share exactly when some file system takes them for the same.

    A canonical caseless match in the sense of the Unicode Standard, definition D145, in NFC. It
    does not know the rules of one particular file system.

    Examples
    --------
    >>> collision_key("CRUE\u0301.TIF") == collision_key("cru\u00e9.tif")
    True
    """
    if relative.isascii():
        return relative.lower()  # the same, and a folder may hold tens of thousands of names
    folded = unicodedata.normalize("NFD", relative).casefold()
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", folded))


def result_name(stem: str, suffix: str, number: int) -> str:
    """Name a result: ``name.tif`` for number 1, then ``name-2.tif``, ``name-3.tif``.

    Always a safe component; a long stem is shortened so that number and suffix stay.

    Examples
    --------
    >>> result_name("low water", ".tif", 2)
    'low water-2.tif'
    """
    ending = suffix if number == 1 else f"-{number}{suffix}"
    room = MAX_COMPONENT_BYTES - len(ending.encode("utf-8", "surrogateescape"))
    stem = safe_component(f"{stem}{suffix}").removesuffix(suffix) if stem else _UNNAMED
    return safe_component(f"{_cut(stem, room).rstrip('. ') or _UNNAMED}{ending}")


def _visible(character: str) -> str:
    if unicodedata.category(character) not in _INVISIBLE:
        return character
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:
        code -= 0xDC00  # a byte that was no UTF-8, PEP 383
        return f"\\x{code:02x}"
    if code <= 0xFF:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def _is_unsafe(character: str) -> bool:
    return character in _FORBIDDEN or unicodedata.category(character) in _INVISIBLE


def _shortened(name: str, limit: int) -> str:
    """Cut the stem of a long name; a suffix of usual length is kept."""
    if len(name.encode()) <= limit:
        return name
    suffix = PurePosixPath(name).suffix
    if len(suffix.encode()) > _MAX_SUFFIX_BYTES:
        suffix = ""
    stem = name.removesuffix(suffix) if suffix else name
    return _cut(stem, limit - len(suffix.encode())) + suffix


def _cut(text: str, limit: int) -> str:
    """At most `limit` bytes of UTF-8, cut between characters and not before a combining mark."""
    data = text.encode("utf-8", "replace")
    if len(data) <= limit:
        return text
    cut = data[:limit].decode("utf-8", "ignore")
    whole = next(
        length
        for length in count(len(cut), -1)
        if length <= 0 or not unicodedata.combining(text[length])
    )
    return text[:whole] or cut
