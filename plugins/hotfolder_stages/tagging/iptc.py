"""IPTC records (IPTC-IIM 4.2): the texts in them, and records without some of them.

A dataset is 0x1C, record, number, length of two bytes, data (1.6); one whose length has its
highest bit set says in the lower ones how many bytes hold the length (1.5.2).
"""

from __future__ import annotations

import struct
from collections.abc import Collection, Iterator

from hotfolder_stages.tagging.truth import Text, Texts

_MARKER = 0x1C
_CHARACTER_SET = (1, 90)
_UTF_8 = b"\x1b%G"
_DATASETS = {Text.CREATOR: (2, 80), Text.COPYRIGHT: (2, 116), Text.DESCRIPTION: (2, 120)}


def texts(records: bytes) -> Texts:
    """The texts in IPTC records, as far as they are there."""
    found: dict[tuple[int, int], bytes] = {}
    for key, data, _ in _datasets(records):
        found.setdefault(key, data)
    encoding = "utf-8" if found.get(_CHARACTER_SET, b"").startswith(_UTF_8) else "latin-1"
    said = {
        text: found[key].decode(encoding, errors="replace").strip()
        for text, key in _DATASETS.items()
        if key in found
    }
    return {text: each for text, each in said.items() if each}


def without(records: bytes, gone: Collection[Text]) -> bytes:
    """The same records without the datasets of some texts."""
    keys = {_DATASETS[text] for text in gone}
    return b"".join(whole for key, _, whole in _datasets(records) if key not in keys)


def _datasets(records: bytes) -> Iterator[tuple[tuple[int, int], bytes, bytes]]:
    """Key, data and whole dataset, up to the first that is broken."""
    at = 0
    while at + 5 <= len(records) and records[at] == _MARKER:
        record, number, size = struct.unpack_from(">BBH", records, at + 1)
        start = at + 5
        if size & 0x8000:
            count = size & 0x7FFF
            size = int.from_bytes(records[start : start + count], "big")
            start += count
        if start + size > len(records):
            return
        yield (record, number), records[start : start + size], records[at : start + size]
        at = start + size
