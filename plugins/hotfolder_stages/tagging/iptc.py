"""IPTC records (IPTC-IIM 4.2): the texts in them, and records that say what is true of a result.

A dataset is 0x1C, record, number, length of two bytes, data (1.6); one whose length has its
highest bit set says in the lower ones how many bytes hold the length (1.5.2).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from hotfolder import IptcDataset, iptc_datasets
from hotfolder_stages.tagging.truth import Text, Texts, Truth

_MARKER = 0x1C
_CHARACTER_SET = (1, 90)
_UTF_8 = b"\x1b%G"
_KEYWORD = (2, 25)
_ORIENTATION = (2, 131)
_DATASETS = {Text.CREATOR: (2, 80), Text.COPYRIGHT: (2, 116), Text.DESCRIPTION: (2, 120)}
_MOST_BYTES = {Text.CREATOR: 32, Text.COPYRIGHT: 128, Text.DESCRIPTION: 2000}

_STALE = {
    (1, 20): "file format",
    (1, 22): "file format version",
    (1, 100): "unique name of object",
    (2, 130): "image type",
    (2, 200): "preview",
    (2, 201): "preview",
    (2, 202): "preview",
}
"""What is true of the original's file alone."""

_RASTERISED_CAPTION = (2, 125)
_PIXEL_RECORDS = range(3, 10)
"""Records 3 and 7 to 9 describe, and hold, the original's own pixels."""

_BINARY = {(2, 0), (2, 125), (2, 200), (2, 201), (2, 202)}


@dataclass(frozen=True)
class EditedIptc:
    """Records, None when none are left; and what went from them."""

    records: bytes | None
    removed: tuple[str, ...]


def texts(records: bytes) -> Texts:
    """The texts in IPTC records, as far as they are there."""
    found = list(iptc_datasets(records))
    said = {}
    for text, key in _DATASETS.items():
        first = next((each.data for each in found if each.key == key), b"")
        if decoded := _decoded(first, found).strip():
            said[text] = decoded
    return said


def keywords(records: bytes) -> list[str]:
    """The keywords in IPTC records."""
    found = list(iptc_datasets(records))
    said = [_decoded(each.data, found).strip() for each in found if each.key == _KEYWORD]
    return [each for each in said if each]


def edited(records: bytes, truth: Truth, added: Texts) -> EditedIptc:
    """The same records with what is untrue corrected or left out, and `added` in their place.

    A text that is longer than its dataset may be is not cut: the old one is left out, and readers
    find the new one in Exif and XMP.
    """
    found = list(iptc_datasets(records))
    removed = {f"IPTC {name}" for key, name in _STALE.items() if _has(found, key)}
    removed |= {f"IPTC record {each.key[0]}" for each in found if each.key[0] in _PIXEL_RECORDS}
    gone = {*_STALE, *(_DATASETS[text] for text in added)}
    if Text.DESCRIPTION in added and _has(found, _RASTERISED_CAPTION):
        gone.add(_RASTERISED_CAPTION)
        removed.add("IPTC rasterised caption")
    kept = [
        _upright(each, truth)
        for each in found
        if each.key not in gone and each.key[0] not in _PIXEL_RECORDS
    ]
    if kept and added:
        kept = _in_utf_8(kept)
        kept += [
            _dataset(_DATASETS[text], said.encode())
            for text, said in added.items()
            if len(said.encode()) <= _MOST_BYTES[text]
        ]
    kept_bytes = b"".join(each.whole for each in kept)
    return EditedIptc(kept_bytes or None, tuple(sorted(removed)))


def _upright(dataset: IptcDataset, truth: Truth) -> IptcDataset:
    """ImageOrientation made true: portrait, landscape or square (2:131)."""
    if dataset.key != _ORIENTATION:
        return dataset
    across, down = truth.width_px, truth.height_px
    return _dataset(_ORIENTATION, b"S" if across == down else b"P" if down > across else b"L")


def _in_utf_8(found: list[IptcDataset]) -> list[IptcDataset]:
    """The same texts in UTF-8, and marked so (1.5.1, 1:90): all text has one character set."""
    if _is_utf_8(found):
        return found
    texts = [
        each
        if each.key in _BINARY or each.data.isascii()
        else _dataset(each.key, _decoded(each.data, found).encode())
        for each in found
        if each.key != _CHARACTER_SET
    ]
    mark = _dataset(_CHARACTER_SET, _UTF_8)
    before = [each for each in texts if each.key[0] == 1 and each.key < _CHARACTER_SET]
    return [*before, mark, *texts[len(before) :]]


def _is_utf_8(found: list[IptcDataset]) -> bool:
    marks = [each.data for each in found if each.key == _CHARACTER_SET]
    return bool(marks) and marks[0].startswith(_UTF_8)


def _decoded(data: bytes, found: list[IptcDataset]) -> str:
    """A text; what is not marked is taken for UTF-8 where all of it could be, else for Latin-1."""
    if _is_utf_8(found):
        return data.decode(errors="replace")
    try:
        for each in found:
            if each.key not in _BINARY:
                each.data.decode()
        return data.decode()
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _has(found: list[IptcDataset], key: tuple[int, int]) -> bool:
    return any(each.key == key for each in found)


def _dataset(key: tuple[int, int], data: bytes) -> IptcDataset:
    whole = struct.pack(">BBBH", _MARKER, *key, len(data)) + data
    return IptcDataset(key, data, whole)
