"""The text of a file, whatever encoding a program has written it in."""

from __future__ import annotations

import codecs
from typing import Final

from hotfolder.measured.table import NotUsable

_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_CONTROLS: Final = frozenset(map(chr, range(32))) - {"\t", "\n", "\r", "\f", "\x1a"}


def decode_text(data: bytes) -> str:
    """Decode UTF-8, UTF-16 with or without a mark, or Latin-1; line ends become those of Unix.

    Raises
    ------
    NotUsable
        When it is no text.
    """
    text = _decode(data).replace("\r\n", "\n").replace("\r", "\n").replace("\f", "\n")
    text = text.rstrip("\x1a\n ") + "\n"  # the mark of old programs for the end of a text
    found = next((each for each in text if each in _CONTROLS), None)
    if found is not None:
        line = text[: text.index(found)].count("\n") + 1
        raise NotUsable(f"line {line}: the file is no text: it holds the byte {ord(found)}")
    return text


def _decode(data: bytes) -> str:
    for mark, encoding in _MARKS:
        if data.startswith(mark):
            return _strictly(data[len(mark) :], encoding)
    # without a mark: in UTF-16 every other byte of a Latin letter is zero
    if len(data) >= 4 and data[1::2][:32].count(0) > 8 and not data[::2][:32].count(0):
        return _strictly(data, "utf-16-le")
    if len(data) >= 4 and data[::2][:32].count(0) > 8 and not data[1::2][:32].count(0):
        return _strictly(data, "utf-16-be")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _strictly(data: bytes, encoding: str) -> str:
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        raise NotUsable(
            f"the file says that it is {encoding}, and is not from its byte {error.start} on"
        ) from error
